"""Batched random numbers and rotations, shared by the pose sampler, the renderer and the compositor.

All angles are radians unless a name ends in `_deg`. Rotations are (B, 3, 3) matrices that act on column vectors.
"""

import math

import torch
import torch.nn.functional as functional

DEVICE = "cuda" if torch.cuda.is_available() else "cpu"
RADIANS = math.pi / 180


def uniform(count, low, high):
    """`count` numbers (or a shape) between `low` and `high`."""
    return torch.rand(count, device=DEVICE) * (high - low) + low


def normal(count, mean, deviation):
    """`count` numbers (or a shape) from a normal distribution."""
    return torch.randn(count, device=DEVICE) * deviation + mean


def chance(count, probability):
    """`count` booleans, true with the given probability."""
    return torch.rand(count, device=DEVICE) < probability


def vector(*values):
    """A constant tensor on the working device."""
    return torch.tensor(values, device=DEVICE, dtype=torch.float32)


X_AXIS, Y_AXIS, Z_AXIS = vector(1, 0, 0), vector(0, 1, 0), vector(0, 0, 1)


def unit(vectors):
    """The same directions with length one."""
    return functional.normalize(vectors, dim=-1, eps=1e-8)


def about_axis(axis, angle):
    """Rotation by `angle` (B) about the unit `axis` (B, 3): Rodrigues' formula."""
    x, y, z = axis.unbind(-1)
    cos, sin = torch.cos(angle), torch.sin(angle)
    rest = 1 - cos
    rows = [
        cos + x * x * rest, x * y * rest - z * sin, x * z * rest + y * sin,
        y * x * rest + z * sin, cos + y * y * rest, y * z * rest - x * sin,
        z * x * rest - y * sin, z * y * rest + x * sin, cos + z * z * rest,
    ]
    return torch.stack(rows, -1).reshape(*angle.shape, 3, 3)


def about_x(angle):
    """Rotation about +x, which lifts +y towards +z."""
    return about_axis(X_AXIS.expand(len(angle), 3), angle)


def about_y(angle):
    """Rotation about +y, which turns +z towards +x."""
    return about_axis(Y_AXIS.expand(len(angle), 3), angle)


def about_z(angle):
    """Rotation about +z, which turns +x towards +y."""
    return about_axis(Z_AXIS.expand(len(angle), 3), angle)


def between(start, end):
    """The shortest rotation that takes the direction `start` to `end`, both (B, 3) unit vectors."""
    axis = torch.cross(start, end, dim=-1)
    sine = axis.norm(dim=-1)
    cosine = (start * end).sum(-1)
    safe = torch.where(sine[..., None] < 1e-6, X_AXIS.expand_as(axis), axis / (sine[..., None] + 1e-9))
    return about_axis(safe, torch.atan2(sine, cosine))
