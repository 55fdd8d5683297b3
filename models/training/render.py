"""Renders single labelled people as layers: colour and coverage, a procedural background, keypoints, visibility.

Everything runs in batches on the GPU: body, pose, clothes, camera, light, then the kernels of kernels.cu. Pixel convention
here: the corner of the top left pixel is (0, 0).
"""

import dataclasses
import math

import torch

import backgrounds
from appearance import PROPS, Outfit, sphere
from body import Body
from kernels import PART, SCENE, Table, launch
from network import HEIGHT, WIDTH
from poses import KINDS, SHARES, PoseSampler
from rotations import DEVICE, RADIANS, Y_AXIS, chance, normal, uniform, unit, vector

SAMPLES = 2  # depth samples per pixel side
LIGHT_SIDE = 256  # cells of the shadow map's side
HIDDEN_DEPTH_M = 0.13  # a joint centre lies deeper than the skin over it by up to this
LAYER_SIZE = (WIDTH, HEIGHT)


@dataclasses.dataclass
class Layers:
    """A batch of rendered people. Positions in layer pixels."""

    person: torch.Tensor  # (n, 4, H, W) uint8: colour times coverage, coverage
    background: torch.Tensor  # (n, 3, H, W) uint8
    keypoints: torch.Tensor  # (n, K, 2)
    visible: torch.Tensor  # (n, K) not hidden by the person itself
    pitch: torch.Tensor  # (n,) a phase of a pitch
    left_thrower: torch.Tensor  # (n,)


class Renderer:
    """Draws random people. `held_out`: bodies, background photographs and cloth pictures kept for tests.
    `mound`: pitchers alone, filmed as the two phones of a recording see them."""

    def __init__(self, body_path, pictures, held_out=False, mound=False):
        self.body = Body(body_path, held_out)
        pictures = backgrounds.split(pictures, held_out)
        self.photos = torch.tensor(pictures, device=DEVICE).permute(0, 3, 1, 2).contiguous()
        textures = backgrounds.ClothPictures(pictures, seed=6 if held_out else 5).draw()
        self.textures = torch.tensor(textures, device=DEVICE).contiguous()
        self.mound = mound
        self.poses = PoseSampler(self.body, [float(kind == "pitch") for kind in KINDS] if mound else SHARES, focus=mound)
        self.unit_sphere, faces = sphere()
        mesh = torch.tensor(self.body.triangles, device=DEVICE)
        props = [faces + self.body.vertex_count + index * len(self.unit_sphere) for index in range(len(PROPS))]
        self.triangles = torch.cat([mesh, *props]).int().contiguous()
        parts = torch.tensor([PART[name] for name in PROPS], dtype=torch.uint8, device=DEVICE)
        self.prop_parts = parts.repeat_interleave(len(self.unit_sphere))

    def _normals(self, vertices):
        """Area-weighted vertex normals (B, N, 3)."""
        index = self.triangles.long()
        a, b, c = (vertices[:, index[:, corner]] for corner in range(3))
        face = torch.cross(b - a, c - a, dim=-1)
        total = torch.zeros_like(vertices)
        for corner in range(3):
            total.index_add_(1, index[:, corner], face)
        return unit(total)

    @torch.no_grad()
    def render(self, count, moment=None):
        """`count` random people as Layers; `moment` (0..7) fixes the time in the pitch."""
        body = self.body
        vertices, bones, keypoints = body.sample(count)
        local, pitch = self.poses.sample(bones, moment)
        left_thrower = chance(count, 0.4)
        local = self.poses.mirrored(local, left_thrower)
        rotation, translation = body.forward_kinematics(bones, local)

        outfit = Outfit(body, vertices, bones, keypoints, ~left_thrower, pitch)
        prop_vertices, prop_bones = outfit.props(self.unit_sphere)
        padded = torch.cat([vertices, torch.zeros_like(prop_vertices)], 1)
        normals = self._normals(padded)[:, :body.vertex_count]
        rest = vertices + normals * (outfit.thickness * outfit.lying(normals))[..., None]
        rest[..., 2] += torch.where(outfit.brim, 0.07, 0.0)
        rows = torch.arange(count, device=DEVICE)[:, None]
        prop_bones = prop_bones[:, :, None].expand(-1, -1, len(self.unit_sphere)).reshape(count, -1)
        props = torch.einsum("bnij,bnj->bni", rotation[rows, prop_bones], prop_vertices) + translation[rows, prop_bones]
        world = torch.cat([body.skinned(rest, rotation, translation), props], 1)
        joints = body.posed_keypoints(keypoints, rotation, translation)
        floor = world[:, :body.vertex_count, 1].amin(1)
        world[..., 1] -= floor[:, None]
        joints[..., 1] -= floor[:, None]
        rest = torch.cat([rest, prop_vertices], 1).contiguous()
        parts = torch.cat([outfit.parts, self.prop_parts[None].expand(count, -1)], 1).contiguous()
        return self._draw(world, joints, rest, parts, outfit, pitch, left_thrower)

    def _camera(self, centre, left_thrower):
        """Camera position and its right, up and forward axes, looking roughly at the person."""
        count = len(centre)
        distance = torch.where(chance(count, 0.3), uniform(count, 8, 40), uniform(count, 2.5, 12.0))
        height = torch.where(chance(count, 0.1) & (distance > 5), uniform(count, 2, 6), uniform(count, 0.3, 2.4))
        azimuth, roll = uniform(count, -math.pi, math.pi), normal(count, 0, 4) * RADIANS
        if self.mound:
            # The phones stand on the side that the chest faces in the set; the body turns from there to the target.
            distance, height = uniform(count, 4.5, 11), uniform(count, 0.9, 1.7)
            turned = torch.where(left_thrower, -1.0, 1.0) * uniform(count, -40, 120)
            azimuth, roll = (uniform(count, -75, 75) - turned) * RADIANS, normal(count, 0, 1.5) * RADIANS
        position = torch.stack([centre[:, 0] + distance * torch.sin(azimuth), height, centre[:, 2] + distance * torch.cos(azimuth)], -1)
        forward = unit(centre - position)
        right = unit(torch.cross(forward, Y_AXIS.expand(count, 3), dim=-1))
        up = torch.cross(right, forward, dim=-1)
        right = right * torch.cos(roll)[:, None] + up * torch.sin(roll)[:, None]
        return position, right, torch.cross(right, forward, dim=-1), forward, distance

    def _draw(self, world, joints, rest, parts, outfit, pitch, left_thrower):
        count, people = len(world), self.body.vertex_count
        width, height = LAYER_SIZE
        fine_width, fine_height = width * SAMPLES, height * SAMPLES
        centre = world[:, :people].mean(1)
        position, right, up, forward, distance = self._camera(centre, left_thrower)
        axes = torch.stack([right, -up, forward], 1)
        to_camera = lambda points: torch.einsum("bij,bnj->bni", axes, points - position[:, None])
        seen, seen_joints = to_camera(world), to_camera(joints)
        plane = seen[..., :2] / seen[..., 2:].clamp(min=0.1)
        low, high = plane[:, :people].amin(1), plane[:, :people].amax(1)
        view_centre, size = (low + high) / 2, high - low
        scale = torch.maximum(size[:, 0] / fine_width, size[:, 1] / fine_height) * uniform(count, 1.04, 1.12)
        to_pixels = lambda xy: (xy - view_centre[:, None]) / scale[:, None, None] + vector(fine_width / 2, fine_height / 2)
        points = torch.cat([to_pixels(plane), seen[..., 2:]], -1).float().contiguous()
        keypoints = to_pixels(seen_joints[..., :2] / seen_joints[..., 2:]) / SAMPLES

        scene = Table(SCENE, count)
        scene["right"], scene["up"], scene["forward"] = right, up, forward
        scene["camera_height"], scene["wall_distance"] = position[:, 1], distance + uniform(count, 1.0, 25.0)
        scene["view_centre"] = vector(fine_width / 2, fine_height / 2) - view_centre / scale[:, None]
        scene["view_scale"] = scale
        sun = unit(torch.stack([normal(count, 0, 0.8), uniform(count, 0.25, 1.5), normal(count, 0, 0.8)], -1))
        self._light_and_place(scene, sun)
        cloth, decals = outfit.colours()

        # shadow on the ground, seen from the camera
        fallen = world - sun[:, None] * (world[..., 1:2] / sun[:, None, 1:2])
        fallen = to_camera(fallen)
        shadow_points = torch.cat([to_pixels(fallen[..., :2] / fallen[..., 2:].clamp(min=0.1)) / SAMPLES, fallen[..., 2:]], -1).contiguous()
        # the person seen from the sun
        sun_right = unit(torch.cross(sun, vector(0.31, 0.2, 0.93).expand(count, 3), dim=-1))
        sun_up, offset = torch.cross(sun, sun_right, dim=-1), world - centre[:, None]
        along = lambda axis: (offset * axis[:, None]).sum(-1)
        across = torch.stack([along(sun_right), along(sun_up)], -1)
        extent = across.abs().amax((1, 2)).clamp(min=0.3) * 1.02
        light_points = torch.cat([(across / extent[:, None, None] * 0.5 + 0.5) * LIGHT_SIDE, 10 - along(sun)[..., None]], -1).contiguous()

        faces, vertex_count = len(self.triangles), world.shape[1]
        empty = lambda h, w: torch.full((count, h, w), -1, dtype=torch.int64, device=DEVICE)
        depth, shadow, light = empty(fine_height, fine_width), empty(height, width), empty(LIGHT_SIDE, LIGHT_SIDE)
        for target, buffer, w, h in ((points, depth, fine_width, fine_height), (shadow_points, shadow, width, height), (light_points, light, LIGHT_SIDE, LIGHT_SIDE)):
            launch("raster", count * faces, target, self.triangles, buffer, count, vertex_count, faces, w, h)
        person = torch.empty(count, 4, height, width, dtype=torch.uint8, device=DEVICE)
        background = torch.empty(count, 3, height, width, dtype=torch.uint8, device=DEVICE)
        launch("shade", count * height * width, points, self._normals(world).contiguous(), rest, light_points, self.triangles, parts, depth, shadow, light,
               scene, cloth, decals, self.textures, person, background, count, vertex_count, width, height, SAMPLES, LIGHT_SIDE)
        return Layers(person, background, keypoints, self._visible(keypoints, seen_joints[..., 2], depth), pitch, left_thrower)

    @staticmethod
    def _visible(keypoints, depth_m, depth):
        """Whether nothing of the person lies clearly nearer than the joint."""
        height, width = depth.shape[1:]
        at = (keypoints * SAMPLES).long()
        index = at[..., 0].clamp(0, width - 1) + width * at[..., 1].clamp(0, height - 1)
        cell = torch.gather(depth.view(len(depth), -1), 1, index)
        surface = (cell >> 32).to(torch.int32).view(torch.float32)
        return (cell == -1) | (surface > depth_m - HIDDEN_DEPTH_M)

    @staticmethod
    def _light_and_place(scene, sun):
        """Sun and sky, exposure, and what the ground and the wall behind look like."""
        count = len(sun)
        hard = chance(count, 0.45)
        flat = chance(count, 0.1)
        warm = normal(count, 0, 0.1)[:, None]
        scene["sun"], scene["seed"] = sun, torch.randint(0, 1 << 20, (count,), device=DEVICE).float()
        scene["ambient"] = torch.where(hard, uniform(count, 0.12, 0.45), uniform(count, 0.35, 1.0))
        scene["diffuse"] = torch.where(flat, torch.zeros((), device=DEVICE), torch.where(hard, uniform(count, 0.7, 1.5), uniform(count, 0.05, 0.6)))
        scene["ambient"] = torch.where(flat, uniform(count, 0.8, 1.1), scene["ambient"])
        scene["self_shadow"] = torch.where(hard, uniform(count, 0.6, 1.0), uniform(count, 0, 0.6))
        scene["sun_tint"] = 1 + warm * vector(1, 0.3, -1) + normal((count, 3), 0, 0.03)
        scene["sky_tint"] = 1 - warm * vector(1, 0.2, -1) + normal((count, 3), 0, 0.03)
        scene["gain"] = uniform(count, 0.85, 1.15)[:, None] * (1 + normal((count, 3), 0, 0.06))
        scene["ground_origin"] = uniform((count, 2), 0, 50)
        scene["ground_frequency"], scene["wall_frequency"] = torch.exp(uniform(count, 0.0, 4.0)), torch.exp(uniform(count, -0.5, 3.5))
        grass = vector(0.3, 0.45, 0.2) * uniform(count, 0.5, 1.5)[:, None]
        dirt = vector(0.6, 0.45, 0.33) * uniform(count, 0.6, 1.3)[:, None]
        grey, any_colour = uniform(count, 0.15, 0.9)[:, None].expand(count, 3), torch.rand(count, 2, 3, device=DEVICE)
        sky = vector(0.6, 0.72, 0.9) * uniform(count, 0.7, 1.2)[:, None]
        pick = torch.randint(0, 5, (count, 1), device=DEVICE)
        scene["ground_colour"] = torch.where(pick < 2, torch.where(pick == 0, grass, dirt), torch.where(pick == 2, grass, torch.where(pick == 3, grey, any_colour[:, 0])))
        pick = torch.randint(0, 4, (count, 1), device=DEVICE)
        scene["wall_colour"] = torch.where(pick == 0, grass * 0.7, torch.where(pick == 1, sky, torch.where(pick == 2, grey, any_colour[:, 1])))
        zero = torch.zeros((), device=DEVICE)
        scene["shadow_gain"] = uniform(count, 0.35, 0.95)
        scene["wall_pattern"] = torch.where(chance(count, 0.35), uniform(count, -0.3, 0.3), zero)
        scene["wall_pattern_frequency"] = torch.exp(uniform(count, 0.5, 4))
        scene["ground_lines"] = torch.where(chance(count, 0.2), uniform(count, -0.3, 0.5), zero)
        scene["line_direction"] = normal((count, 2), 0, 3)
        plain = chance(count, 0.15)
        scene["back_noise"] = torch.where(plain, zero, uniform(count, 0, 0.5))
        scene["back_blotch"] = torch.where(plain, zero, uniform(count, 0, 0.8))
