"""Puts training crops together from rendered layers: main person, further people, photographs, objects, picture edges.

`LayerPool` keeps the last rendered people on the GPU and uses each several times, every time in another crop. Until the
last line of `batch` the corner of the top left pixel is (0, 0); labels leave in the convention of network.py.
"""

import dataclasses
import math

import torch

from body import KEYPOINT_INDEX, MIRRORED
from kernels import CROP, LAYER, LAYERS, OBJECT, OBJECTS, OBJECTS_BEHIND, PHOTO_SIDE, Table, launch
from render import LAYER_SIZE
from rotations import DEVICE, RADIANS, chance, normal, uniform, vector

LAYER_FILL = 0.925  # mean share of the layer that the rendered person fills
CUT_FILL = (1.05, 1.5)
BLUR_CHANCE, BLUR_CHANCE_PITCH = 0.10, 0.45  # motion blur of the throwing arm
BLUR_PX = (1.0, 8.5)  # half length
UNIT = LAYER_SIZE[1] / 256  # pixel sizes below are stated for a crop 256 pixels tall


@dataclasses.dataclass(frozen=True)
class Setting:
    """How much lies in the way. The defaults are the general setting, `MOUND` that of a recording."""

    fill: tuple = (0.55, 0.97)  # share of the crop that the athlete fills; the crop comes from the previous pose
    cut_chance: float = 0.08  # crops that cut the person
    turn_deg: float = 7.0
    wild_turn_chance: float = 0.05
    people_shares: tuple = (0.55, 0.30, 0.15)  # none, one, two further people
    edge_chance: float = 0.2  # the edge of the film picture lies in the crop
    objects_behind: float = 0.3
    objects_before: float = 0.13
    sill_chance: float = 0.05


GENERAL = Setting()
MOUND = Setting((0.60, 0.96), 0.01, 2.0, 0.0, (0.93, 0.06, 0.01), 0.04, 0.15, 0.02, 0.0)


@dataclasses.dataclass
class Crops:
    """A batch before the camera (degrade.py) and its labels."""

    image: torch.Tensor  # (B, 3, 288, 288), 0..1
    keypoints: torch.Tensor  # (B, K, 2) input pixels, (0, 0) = centre of the top left pixel
    visible: torch.Tensor  # (B, K) not hidden and inside
    inside: torch.Tensor  # (B, K) inside the picture
    beyond: torch.Tensor  # (B, 1, 288, 288) outside the film picture
    beyond_colour: torch.Tensor  # (B, 3, 1, 1)


def warp(zoom, angle, mirrored, layer_centre, crop_centre):
    """The 8 numbers that take a crop position x to the layer position A (x - crop_centre) + layer_centre."""
    cos, sin = torch.cos(angle) / zoom, torch.sin(angle) / zoom
    sign = torch.where(mirrored, -1.0, 1.0)
    return torch.cat([torch.stack([cos * sign, sin * sign, -sin, cos], -1), layer_centre, crop_centre], 1)


def random_objects(count, share, smallest, largest):
    """Rectangles, ellipses and poles somewhere in the crop."""
    width, height = LAYER_SIZE
    table = Table(OBJECT, count)
    pole, angle = chance(count, 0.25), uniform(count, 0, math.pi)
    upright = normal(count, 0, 0.3) + torch.where(chance(count, 0.3), math.pi / 2, 0.0)
    angle = torch.where(pole, upright, angle)
    table["on"] = chance(count, share).float()
    table["centre"] = uniform((count, 2), -0.05, 1.05) * vector(width, height)
    table["half_width"] = torch.where(pole, uniform(count, 1.5, 6), uniform(count, smallest, largest)) * UNIT
    table["half_height"] = torch.where(pole, uniform(count, 40, 270), uniform(count, smallest, largest)) * UNIT
    table["cos"], table["sin"] = torch.cos(angle), torch.sin(angle)
    table["rectangle"], table["edge"] = chance(count, 0.5).float(), uniform(count, 0.7, 3)
    fill = torch.rand(count, device=DEVICE)  # a picture, a noisy colour, a gradient
    table["fill"] = torch.where(fill < 0.45, 0.0, torch.where(fill < 0.6, 1.0, 2.0))
    table["colour"], table["gradient"] = torch.rand(count, 3, device=DEVICE), normal(count, 0, 0.35)
    return table.data


class LayerPool:
    """A ring of rendered people."""

    def __init__(self, renderer, size):
        self.setting = MOUND if renderer.mound else GENERAL
        self.renderer, self.size, self.filled, self.next = renderer, size, 0, 0
        self.layers = None

    def add(self, count):
        """Render `count` more people in place of the oldest."""
        new = self.renderer.render(count)
        if self.layers is None:
            grow = lambda tensor: torch.empty(self.size, *tensor.shape[1:], dtype=tensor.dtype, device=DEVICE)
            self.layers = type(new)(*[grow(getattr(new, field.name)) for field in dataclasses.fields(new)])
        at = (torch.arange(count, device=DEVICE) + self.next) % self.size
        for field in dataclasses.fields(new):
            getattr(self.layers, field.name)[at] = getattr(new, field.name)
        self.next = (self.next + count) % self.size
        self.filled = min(self.size, self.filled + count)

    @torch.no_grad()
    def batch(self, count):
        """`count` crops with labels."""
        layers, (width, height) = self.layers, LAYER_SIZE
        size, none = vector(width, height), torch.zeros(count, device=DEVICE)
        pick = lambda: torch.randint(self.filled, (count,), device=DEVICE)
        middle = lambda points: (points.amin(1) + points.amax(1)) / 2
        main = pick()
        setting = self.setting
        cut = chance(count, setting.cut_chance)
        fill = torch.where(cut, uniform(count, *CUT_FILL), uniform(count, *setting.fill))
        angle = torch.where(chance(count, 0.6), normal(count, 0, setting.turn_deg), none)
        angle = torch.where(chance(count, setting.wild_turn_chance), normal(count, 0, 30), angle) * RADIANS
        mirrored = chance(count, 0.5)
        free = ((1 - fill) / 2).clamp(min=0.02) + 0.02 + 0.1 * cut
        centre = size / 2 + uniform((count, 2), -1, 1) * free[:, None] * size
        main_warp = warp(fill / LAYER_FILL, angle, mirrored, middle(layers.keypoints[main]), centre)
        keypoints, visible = self._moved(layers.keypoints[main], layers.visible[main], main_warp, mirrored)

        table = Table(LAYER, count, LAYERS)
        table["index", 0], table["warp", 0], table["gain"] = main.float(), main_warp, 1.0
        self._further_people(table, main, keypoints, middle, pick)
        crop = self._surroundings(count, keypoints)
        self._motion_blur(crop, keypoints, layers.pitch[main], layers.left_thrower[main] ^ mirrored)
        behind = [random_objects(count, setting.objects_behind, 4, 60) for _ in range(OBJECTS_BEHIND)]
        objects = torch.stack(behind + [random_objects(count, setting.objects_before, 3, 42) for _ in range(OBJECTS - OBJECTS_BEHIND)], 1).contiguous()
        image = torch.empty(count, 3, height, width, device=DEVICE)
        covered = torch.empty(count, height, width, dtype=torch.uint8, device=DEVICE)
        launch("compose", count * height * width, layers.person, layers.background, self.renderer.photos, table, crop, objects, image, covered, count, width, height)

        beyond, box = self._picture_edges(count)
        x, y = keypoints.unbind(-1)
        inside = (x > box[0] - 1) & (x < box[1] + 1) & (y > box[2] - 1) & (y < box[3] + 1)
        at = x.long().clamp(0, width - 1) + width * y.long().clamp(0, height - 1)
        visible = visible & inside & (torch.gather(covered.view(count, -1), 1, at) < 128)
        tint = torch.rand(count, device=DEVICE)
        colour = torch.where((tint < 0.7)[:, None], torch.zeros(count, 3, device=DEVICE), torch.rand(count, 1, device=DEVICE).expand(-1, 3))
        return Crops(image, keypoints - 0.5, visible, inside, beyond, colour[..., None, None])

    @staticmethod
    def _moved(keypoints, visible, numbers, mirrored):
        """Layer keypoints in the crop; sides change places where the crop is mirrored."""
        matrix = torch.linalg.inv(numbers[:, :4].reshape(-1, 2, 2))
        moved = torch.einsum("bij,bkj->bki", matrix, keypoints - numbers[:, None, 4:6]) + numbers[:, None, 6:8]
        order = torch.tensor(MIRRORED, device=DEVICE)
        return torch.where(mirrored[:, None, None], moved[:, order], moved), torch.where(mirrored[:, None], visible[:, order], visible)

    def _further_people(self, table, main, keypoints, middle, pick):
        """Up to two more people behind, beside or in front of the main one, at related sizes."""
        count, size = len(main), vector(*LAYER_SIZE)
        number = torch.multinomial(vector(*self.setting.people_shares), count, True)
        main_height, main_middle = keypoints[..., 1].amax(1) - keypoints[..., 1].amin(1), middle(keypoints)
        for k in range(1, LAYERS):
            other = pick()
            points = self.layers.keypoints[other]
            on, front = (number >= k) & (other != main), chance(count, 0.25)
            other_height = (points[..., 1].amax(1) - points[..., 1].amin(1)).clamp(min=40)
            ratio = torch.where(front, uniform(count, 0.6, 1.25), uniform(count, 0.35, 1.1))
            side = torch.where(chance(count, 0.5), 1.0, -1.0)
            dx = torch.where(front, uniform(count, 0.3, 0.65), uniform(count, 0.1, 0.6)) * side
            level = (1 - ratio) * 0.25 * main_height / size[1] * normal(count, 0, 1) + normal(count, 0, 0.06)
            shift = torch.stack([dx, torch.where(front, uniform(count, -0.05, 0.3), level)], -1) * size
            table["index", k] = other.float()
            table["place", k] = torch.where(on, torch.where(front, 2.0, 1.0), 0.0)
            table["warp", k] = warp((main_height * ratio / other_height).clamp(0.15, 2.2), normal(count, 0, 6) * RADIANS, chance(count, 0.5), middle(points), main_middle + shift)
            table["gain", k] = torch.exp(normal(count, 0, 0.25))

    def _surroundings(self, count, keypoints):
        """Own procedural background, a photograph, or a photograph above the own ground; defocus; a hiding sill."""
        height = LAYER_SIZE[1]
        crop, kind, none = Table(CROP, count), torch.rand(count, device=DEVICE), torch.zeros(count, device=DEVICE)
        photos = len(self.renderer.photos)
        crop["background"] = torch.where(kind < 0.4, 0.0, torch.where(kind < 0.65, 1.0, 2.0))
        crop["horizon"] = uniform(count, 0.3, 0.95) * height
        crop["photo"], crop["filling"] = torch.randint(photos, (count,), device=DEVICE).float(), torch.randint(photos, (count,), device=DEVICE).float()
        zoom = torch.exp(uniform(count, math.log(0.45), math.log(2.0)))
        reach = vector(*LAYER_SIZE) / 2 / zoom[:, None]
        centre = (torch.rand(count, 2, device=DEVICE) * (PHOTO_SIDE - 2 * reach).clamp(min=0) + reach).clamp(0, PHOTO_SIDE)
        crop["photo_warp"] = warp(zoom, normal(count, 0, 0.06), chance(count, 0.5), centre, vector(*LAYER_SIZE).expand(count, 2) / 2)
        crop["defocus"] = torch.where(chance(count, 0.3), uniform(count, 1, 6), none)
        low = chance(count, self.setting.sill_chance)
        crop["sill"] = torch.where(low, uniform(count, 0.5, 0.9) * height, 1e6)
        crop["sill_slope"] = torch.where(low, normal(count, 0, 0.15), none)
        return crop

    @staticmethod
    def _motion_blur(crop, keypoints, pitch, left_thrower):
        """Blur across the throwing forearm, strongest at the hand; sometimes of the whole person."""
        count = len(keypoints)
        joint = lambda name: torch.where(left_thrower[:, None], keypoints[:, KEYPOINT_INDEX[f"left_{name}"]], keypoints[:, KEYPOINT_INDEX[f"right_{name}"]])
        wrist, elbow = joint("wrist"), joint("elbow")
        on = torch.rand(count, device=DEVICE) < torch.where(pitch, BLUR_CHANCE_PITCH, BLUR_CHANCE)
        whole = chance(count, 0.15)
        forearm = wrist - elbow
        across = torch.atan2(forearm[:, 0], -forearm[:, 1]) + normal(count, 0, 0.5)  # the forearm's direction plus a right angle
        across = torch.where(whole, uniform(count, 0, math.pi), across)
        length = torch.where(whole, uniform(count, 0.5, 3), uniform(count, *BLUR_PX))
        crop["blur"] = on.float()
        crop["blur_centre"] = wrist + 0.3 * forearm
        crop["blur_falloff"] = torch.where(whole, 0.0, 0.5 / (uniform(count, 10, 28) * UNIT) ** 2)
        crop["blur_vector"] = torch.stack([torch.cos(across), torch.sin(across)], -1) * length[:, None]

    def _picture_edges(self, count):
        """Mask of what lies outside the film picture, and its box (left, right, top, bottom), each (B, 1)."""
        width, height = LAYER_SIZE
        on = chance(count, self.setting.edge_chance)
        cut = lambda largest: torch.where(chance(count, 0.35) & on, uniform(count, 0, largest), torch.zeros((), device=DEVICE))[:, None]
        left, right = cut(0.25) * width, width - cut(0.25) * width
        top, bottom = cut(0.15) * height, height - cut(0.25) * height
        x, y = torch.arange(width, device=DEVICE) + 0.5, torch.arange(height, device=DEVICE) + 0.5
        columns, rows = (x < left) | (x > right), (y < top) | (y > bottom)
        return (columns[:, None, :] | rows[:, :, None])[:, None], (left, right, top, bottom)
