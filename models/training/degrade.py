"""What phones and video coding do to a crop: exposure, colour, blur, low resolution, grain, sharpening, block coding."""

import math

import numpy as np
import torch
import torch.nn.functional as functional

from kernels import TONE, Table, launch
from rotations import DEVICE, chance, normal, uniform, vector

# Quantiser tables of annex K of the JPEG standard (ITU-T T.81), for values 0..1.
_BRIGHT = [16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
           18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99]
_COLOUR = [17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99, 99, 99, 99] + [99] * 32
BRIGHT_TABLE, COLOUR_TABLE = (vector(*table) / 255 for table in (_BRIGHT, _COLOUR))
_index = torch.arange(8.0)
_cosines = torch.cos((2 * _index[None] + 1) * _index[:, None] * math.pi / 16) * 0.5
_cosines[0] /= math.sqrt(2)
COSINES = _cosines.to(DEVICE).contiguous()
GROUPS = 8  # a batch is cut into groups that share a resolution


def blurred(images, kernels):
    """Each image (B, 3, H, W) with its own odd square kernel (B, L, L)."""
    count, channels, height, width = images.shape
    weights = kernels[:, None].repeat_interleave(channels, 0)
    out = functional.conv2d(images.reshape(1, count * channels, height, width), weights, padding=kernels.shape[-1] // 2, groups=count * channels)
    return out.reshape(images.shape)


def line_kernels(count, side, length, thickness, angle):
    """Gaussian streaks: focus and camera shake."""
    at = torch.arange(side, device=DEVICE) - (side - 1) / 2
    y, x = torch.meshgrid(at, at, indexing="ij")
    cos, sin = torch.cos(angle)[:, None, None], torch.sin(angle)[:, None, None]
    kernel = torch.exp(-0.5 * ((x * cos + y * sin) / length[:, None, None]) ** 2 - 0.5 * ((y * cos - x * sin) / thickness[:, None, None]) ** 2)
    return kernel / kernel.sum((1, 2), keepdim=True)


def block_coded(images, scale):
    """8 x 8 block coding with half-size colour at quantiser scale (B), 0 = untouched; in place; sides multiples of 16."""
    count, _, height, width = images.shape
    bright = torch.empty(count, height, width, device=DEVICE)
    colour = torch.empty(count, 2, height // 2, width // 2, device=DEVICE)
    launch("split_colour", count * (height // 2) * (width // 2), images, bright, colour, count, height, width)
    launch("quantise_blocks", count * (height // 8) * (width // 8), bright, BRIGHT_TABLE, COSINES, scale, count, height, width, 1)
    launch("quantise_blocks", 2 * count * (height // 16) * (width // 16), colour, COLOUR_TABLE, COSINES, scale, 2 * count, height // 2, width // 2, 2)
    launch("join_colour", count * height * width, images, bright, colour, scale, count, height, width)
    return images


def tone(images):
    """Exposure to a random mean, contrast, gamma, colour cast, saturation, haze, darkness; in place."""
    count, _, height, width = images.shape
    mean = images.mean((1, 2, 3)) + 0.02
    gain = (uniform(count, 0.3, 0.55) / mean) ** 0.6
    table = Table(TONE, count)
    table["gain"], table["mean"] = gain, mean * gain
    table["contrast"], table["gamma"] = uniform(count, 0.5, 1.5), torch.exp(normal(count, 0, 0.22))
    table["cast"] = 1 + normal((count, 3), 0, 1) * torch.where(chance(count, 0.2), 0.2, 0.06)[:, None]
    grey, strong = chance(count, 0.06), chance(count, 0.5)
    table["saturation"] = torch.where(grey, 0.0, torch.where(strong, uniform(count, 0.4, 1.6), 1.0))
    shuffled = torch.rand(count, 3, device=DEVICE).argsort(1).float()
    table["order"] = torch.where(chance(count, 0.05)[:, None], shuffled, vector(0, 1, 2))
    table["haze"] = torch.where(chance(count, 0.1), uniform(count, 0, 0.3), 0.0)
    table["darkness"] = torch.where(chance(count, 0.05), uniform(count, 0.15, 0.5), 1.0)
    launch("tone", count * height * width, images, table, count, height * width)


def _recorded(images, resolution, mild):
    """One group at one resolution: smaller, grain, sharpening, coding, enlarged again."""
    count, _, height, width = images.shape
    small = 16 * max(3, round(height * resolution / 16)), 16 * max(3, round(width * resolution / 16))
    if small != (height, width):
        images = functional.interpolate(images, size=small, mode="area") if np.random.rand() < 0.6 else functional.interpolate(images, size=small, mode="bilinear", align_corners=False)
    grain = torch.where(chance(count, 0.5), torch.rand(count, device=DEVICE) ** 2 * 0.08, 0.0)[:, None, None, None]
    noise = torch.randn_like(images) if np.random.rand() < 0.6 else torch.randn_like(images[:, :1]) * 1.2
    images = (images + noise * grain * (0.3 + images)).clamp(0, 1)
    if np.random.rand() < 0.35:
        soft = functional.avg_pool2d(images, 3, 1, 1, count_include_pad=False)
        amount = torch.where(chance(count, 0.7), uniform(count, 0, 2.0), 0.0)[:, None, None, None]
        images = (images + (images - soft) * amount).clamp(0, 1)
    if np.random.rand() < 0.7:
        scale = torch.where(chance(count, 0.8), torch.exp(uniform(count, math.log(0.1 if mild else 0.15), math.log(1.0 if mild else 2.5))), 0.0)
        images = block_coded(images.contiguous(), scale)
    if small != (height, width):
        mode = "bilinear" if np.random.rand() < 0.45 else "bicubic"
        images = functional.interpolate(images, size=(height, width), mode=mode, align_corners=False)
    return images


@torch.no_grad()
def recorded(crops, mild=False):
    """The crops as a phone's film would show them, (B, 3, 288, 288), 0..1. The order of the batch is kept.

    `mild`: hardly a low resolution, less coding damage and shake.
    """
    images = crops.image
    count = len(images)
    tone(images)
    shaken = torch.randperm(count, device=DEVICE)[:count // 3]
    part = len(shaken)
    length = torch.where(chance(part, 0.4), uniform(part, 0.3, 1.3 if mild else 2.5), uniform(part, 0.3, 1.0))
    images[shaken] = blurred(images[shaken], line_kernels(part, 11, length, uniform(part, 0.3, 0.9), uniform(part, 0, math.pi)))
    order = torch.randperm(count, device=DEVICE)
    result = torch.empty_like(images)
    for group, rows in enumerate(order.split((count + GROUPS - 1) // GROUPS)):
        # film pixels per crop pixel: the athlete is 250-450 px tall in the film, 150-270 px in the crop
        resolution = 1.0 if group < 5 else float(np.exp(np.random.uniform(math.log(0.6 if mild else 0.3), 0)))
        result[rows] = _recorded(images[rows], resolution, mild)
    noise = torch.where(chance(count, 0.15), uniform(count, 0, 0.02), 0.0)[:, None, None, None]
    result = (result + torch.randn_like(result) * noise).clamp(0, 1)
    return torch.where(crops.beyond, crops.beyond_colour, result)
