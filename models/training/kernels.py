"""Loads kernels.cu and names the columns of its parameter tables.

Each table is a float32 tensor whose columns are described here once; `Table` gives the Python side named access and the
kernels the same names as C macros. With a GPU the text is compiled at run time by CuPy (NVRTC); without one, g++ makes a
slow library for checks.
"""

import ctypes
import hashlib
import os
import subprocess
import tempfile

import numpy as np
import torch

from rotations import DEVICE

PARTS = ["skin", "shirt", "trousers", "shoe", "hair", "glove", "sock", "eye", "mouth", "sleeve", "belt", "piping", "trim",
         "hat", "long_hair", "held", "stick", "pack", "guard", "skirt", "ball"]
PART = {name: index for index, name in enumerate(PARTS)}
LAYERS, OBJECTS, OBJECTS_BEHIND, DECALS, PHOTO_SIDE = 3, 5, 3, 4, 512

SCENE = dict(seed=1, sun=3, ambient=1, diffuse=1, gain=3, view_centre=2, view_scale=1, right=3, up=3, forward=3, camera_height=1, wall_distance=1,
             ground_origin=2, ground_frequency=1, ground_colour=3, wall_frequency=1, wall_colour=3, shadow_gain=1, wall_pattern=1,
             wall_pattern_frequency=1, self_shadow=1, sun_tint=3, sky_tint=3, ground_lines=1, line_direction=2, back_noise=1, back_blotch=1)
CLOTH = dict(colour=3, noise=1, noise_frequency=1, stripe=1, stripe_frequency=1, wrinkle=1, stripe_axis=1, stripe_colour=3, texture=1,
             texture_index=1, texture_scale=1, offset=2, shine=1, wrinkle_frequency=1, stripe_level=1)
DECAL = dict(amount=1, texture=1, x=1, y=1, half_width=1, half_height=1, facing=1, trousers=1)
LAYER = dict(index=1, place=1, warp=8, gain=1)
CROP = dict(background=1, horizon=1, photo=1, filling=1, photo_warp=8, defocus=1, blur=1, blur_centre=2, blur_falloff=1, blur_vector=2, sill=1,
            sill_slope=1)
OBJECT = dict(on=1, centre=2, half_width=1, half_height=1, cos=1, sin=1, rectangle=1, edge=1, fill=1, colour=3, gradient=1)
TONE = dict(gain=1, mean=1, contrast=1, gamma=1, cast=3, saturation=1, order=3, haze=1, darkness=1)
_PREFIX = {"S": ("SCENE", SCENE), "C": ("CLOTH", CLOTH), "D": ("DECAL", DECAL), "L": ("LAYER", LAYER), "Q": ("CROP", CROP), "O": ("OBJECT", OBJECT),
           "T": ("TONE", TONE)}


class Table:
    """A parameter table: `table["name"] = values` fills the named columns, `table.data` goes to a kernel."""

    def __init__(self, columns, *shape):
        self.columns, start = {}, 0
        for name, width in columns.items():
            self.columns[name] = start if width == 1 else slice(start, start + width)
            start += width
        self.data = torch.zeros(*shape, start, device=DEVICE)

    def __setitem__(self, key, values):
        name, *at = key if isinstance(key, tuple) else (key,)
        self.data[(slice(None), *at, ..., self.columns[name])] = values

    def __getitem__(self, key):
        name, *at = key if isinstance(key, tuple) else (key,)
        return self.data[(slice(None), *at, ..., self.columns[name])]


def _defines():
    lines = []
    for prefix, (title, columns) in _PREFIX.items():
        start = 0
        for name, width in columns.items():
            lines.append(f"#define {prefix}_{name.upper()} {start}")
            start += width
        lines.append(f"#define {title}_COLUMNS {start}")
    lines += [f"#define PART_{name.upper()} {index}" for name, index in PART.items()]
    counts = dict(PARTS=len(PARTS), LAYERS=LAYERS, OBJECTS=OBJECTS, OBJECTS_BEHIND=OBJECTS_BEHIND, DECALS=DECALS, PHOTO_SIDE=PHOTO_SIDE)
    lines += [f"#define {name} {value}" for name, value in counts.items()]
    return "\n".join(lines) + "\n"


_SOURCE = _defines() + open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "kernels.cu")).read()
if DEVICE == "cuda":
    import cupy

    _module = cupy.RawModule(code=_SOURCE, options=("--std=c++14",))
else:
    _path = os.path.join(tempfile.gettempdir(), f"kernels-{hashlib.sha256(_SOURCE.encode()).hexdigest()[:16]}.so")
    if not os.path.exists(_path):
        subprocess.run(["g++", "-O2", "-DCPU", "-x", "c++", "-shared", "-fPIC", "-", "-o", _path], input=_SOURCE.encode(), check=True)
    _module = ctypes.CDLL(_path)


def launch(name, items, *arguments):
    """Run a kernel over `items` items; tensors go as pointers, numbers as 32-bit integers."""
    arguments = [argument.data if isinstance(argument, Table) else argument for argument in arguments]
    if any(torch.is_tensor(argument) and not argument.is_contiguous() for argument in arguments):
        raise ValueError(f"{name}: every tensor must be contiguous")
    if DEVICE == "cuda":
        values = tuple(int(a.data_ptr()) if torch.is_tensor(a) else np.int32(a) for a in arguments)
        with cupy.cuda.ExternalStream(torch.cuda.current_stream().cuda_stream):
            _module.get_function(name)(((items + 255) // 256,), (256,), values)
    else:
        getattr(_module, name)(*[ctypes.c_void_p(a.data_ptr()) if torch.is_tensor(a) else ctypes.c_int(a) for a in arguments])
