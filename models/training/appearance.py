"""What people wear and carry: a part of the picture per vertex, cloth thickness, colours, decals, and things in hand.

Names of parts and of the colour and decal columns are those of kernels.py. Lengths are metres of the rest body.
"""

import torch

from backgrounds import DECAL_TEXTURES, PHOTO_CLOTH, WEAVES
from body import KEYPOINT_INDEX
from kernels import CLOTH, DECAL, DECALS, PART, PARTS, Table
from rotations import DEVICE, about_axis, chance, normal, uniform, unit, vector

# Ellipsoids that hang on a bone: hat, long hair, glove or thing in the gloved hand, stick, pack, skirt, ball.
PROPS = ["hat", "long_hair", "held", "stick", "pack", "skirt", "ball"]
PROP_CHANCE = [0.40, 0.30, 0.25, 0.08, 0.10, 0.06, 0.05]
PROP_CHANCE_PITCH = [0.25, 0.15, 0.70, 0.0, 0.0, 0.0, 0.45]
CAP_CHANCE, CAP_CHANCE_PITCH = 0.30, 0.70
GLOVE_CHANCE, GLOVE_CHANCE_PITCH = 0.15, 0.70
LOOSE_CHANCE = 0.2  # wide shirts, wide trousers
PLAIN_CHANCE = 0.25  # everything in plain colours, without folds or patterns


def sphere(rings=9, around=14):
    """Vertices (n, 3) and triangles (m, 3) of a unit sphere."""
    import math
    points, faces = [[0.0, 1.0, 0.0]], []
    for ring in range(1, rings):
        polar = math.pi * ring / rings
        for step in range(around):
            turn = 2 * math.pi * step / around
            points.append([math.sin(polar) * math.cos(turn), math.cos(polar), math.sin(polar) * math.sin(turn)])
    points.append([0.0, -1.0, 0.0])
    at = lambda ring, step: 1 + (ring - 1) * around + step % around
    for step in range(around):
        faces += [[0, at(1, step + 1), at(1, step)], [len(points) - 1, at(rings - 1, step), at(rings - 1, step + 1)]]
        for ring in range(1, rings - 1):
            faces += [[at(ring, step), at(ring, step + 1), at(ring + 1, step)], [at(ring, step + 1), at(ring + 1, step + 1), at(ring + 1, step)]]
    return torch.tensor(points, device=DEVICE), torch.tensor(faces, dtype=torch.int32, device=DEVICE)


class Outfit:
    """One batch of random outfits. `glove_left` (B): the glove is on the left hand."""

    def __init__(self, body, vertices, bones, keypoints, glove_left, pitch):
        self.body, self.vertices, self.bones, self.keypoints = body, vertices, bones, keypoints
        self.glove_left, self.pitch, self.count = glove_left, pitch, len(vertices)
        self.cap = chance(self.count, torch.where(pitch, CAP_CHANCE_PITCH, CAP_CHANCE))
        self.parts = torch.zeros(self.count, body.vertex_count, dtype=torch.uint8, device=DEVICE)
        self._clothes()
        self._head()
        self._thickness()

    def _on(self, *bones):
        """Vertices whose strongest bone is one of these, (1, V)."""
        return torch.stack([self.body.dominant_bone == self.body.bone_index[bone] for bone in bones]).any(0)[None]

    def _both(self, *bones):
        return self._on(*[f"{bone}_{side}" for bone in bones for side in "LR"])

    def _bone(self, name):
        return self.bones[:, self.body.bone_index[name]]

    def _point(self, name):
        return self.keypoints[:, KEYPOINT_INDEX[name]]

    def _along(self, start, end):
        """How far along the limb from bone head `start` to `end` each vertex lies, on its own side; (B, V)."""
        shares = []
        for side in "LR":
            origin = self._bone(f"{start}_{side}")
            limb = self._bone(f"{end}_{side}") - origin
            shares.append(((self.vertices - origin[:, None]) * limb[:, None]).sum(-1) / (limb * limb).sum(-1)[:, None])
        return torch.where(self.vertices[..., 0] > 0, *shares)

    def _clothes(self):
        count, parts, y = self.count, self.parts, self.vertices[..., 1]
        column = lambda low, high: uniform(count, low, high)[:, None]
        maybe = lambda probability: chance(count, probability)[:, None]
        trunk = self._on("pelvis", "lumbar", "thorax", "clavicle_L", "clavicle_R")
        upper_arm, forearm = self._both("upperarm"), self._both("forearm", "wristtwist")
        thigh, shank, foot = self._both("thigh"), self._both("shank"), self._both("foot", "toes")
        along_upper, along_fore = self._along("upperarm", "forearm"), self._along("forearm", "hand")
        along_thigh, along_shank = self._along("thigh", "shank"), self._along("shank", "foot")
        self.trunk, self.shank, self.along_leg = trunk, shank, torch.where(shank, 1 + along_shank, along_thigh)

        waist = self._bone("lumbar")[:, 1:2] + column(-0.04, 0.06)
        self.waist = waist
        hem = waist - torch.where(maybe(0.4), column(0.03, 0.22), torch.zeros(count, 1, device=DEVICE))
        sleeve_end = torch.where(maybe(0.35), torch.full((count, 1), 2.0, device=DEVICE), column(0, 1.6))
        leg_end = column(0.2, 2.6).clamp(max=2.0)
        leg_end = torch.where(self.pitch[:, None] & maybe(0.7), column(1.4, 2.4).clamp(max=2.0), leg_end)
        trousers = (trunk & (y <= waist)) | (thigh & (along_thigh < leg_end)) | (shank & (along_shank < leg_end - 1))
        sleeve = (upper_arm & (along_upper < sleeve_end)) | (forearm & (along_fore < sleeve_end - 1))
        sock = shank & (along_shank > column(0.2, 1.2)) & ~trousers
        parts[trousers] = PART["trousers"]
        parts[(trunk | thigh) & (y > hem)] = PART["shirt"]
        parts[sleeve] = PART["sleeve"]
        parts[sock] = PART["sock"]
        parts[foot.expand(count, -1)] = PART["shoe"]

        placket = trunk & (self.vertices[..., 0].abs() < column(0.006, 0.11)) & (self.vertices[..., 2] > 0) & maybe(0.2)
        cuff = sleeve & (((along_upper - sleeve_end).abs() < 0.12) | ((along_fore - sleeve_end + 1).abs() < 0.1)) & maybe(0.25)
        collar = trunk & ((y - self._bone("neck")[:, 1:2]).abs() < 0.035) & maybe(0.25)
        parts[(placket | cuff | collar) & ((parts == PART["shirt"]) | (parts == PART["sleeve"]))] = PART["trim"]
        parts[(parts == PART["shirt"]) & (y > self._bone("thorax")[:, 1:2] + column(0.05, 0.2)) & maybe(0.12)] = PART["sleeve"]
        parts[(parts == PART["trousers"]) & ((y - waist).abs() < 0.022) & maybe(0.5)] = PART["belt"]
        outer = self.vertices[..., 0].abs() - torch.where(shank, self._bone("shank_L")[:, :1], self._bone("thigh_L")[:, :1]) > 0.02
        seam = ((self.vertices[..., 2] - 0.02).abs() < column(0.008, 0.04)) & outer & (along_thigh > 0.02)
        parts[(parts == PART["trousers"]) & seam & maybe(0.22)] = PART["piping"]
        parts[(parts == PART["sock"]) & (((along_shank * 8).long() % 2) == 0) & maybe(0.15)] = PART["piping"]
        parts[forearm & (parts == PART["skin"]) & (along_fore > column(0.3, 0.9)) & maybe(0.06)] = PART["trim"]
        parts[shank & (self.vertices[..., 2] > 0.02) & maybe(0.04)] = PART["guard"]

    def _head(self):
        count, parts = self.count, self.parts
        y, z = self.vertices[..., 1], self.vertices[..., 2]
        maybe = lambda probability: chance(count, probability)[:, None]
        head = self._on("head")
        eyes = torch.stack([self._point("left_eye"), self._point("right_eye")], 1)
        middle, nose = eyes.mean(1), self._point("nose")
        above = y > middle[:, 1:2] + uniform(count, 0.015, 0.05)[:, None]
        behind = (z < middle[:, 2:3] - uniform(count, 0.07, 0.13)[:, None]) & (y > middle[:, 1:2] - uniform(count, 0.02, 0.25)[:, None])
        hair = head & (above | behind)
        parts[hair & ~maybe(0.07)] = PART["hair"]
        from_eye = torch.cdist(self.vertices, eyes).amin(-1)
        parts[(from_eye < 0.016) & head] = PART["eye"]
        parts[maybe(0.08) & head & (from_eye < 0.03) & (z > middle[:, 2:3] - 0.06)] = PART["eye"]  # dark glasses
        beard = head & (y < nose[:, 1:2] - 0.012) & (z > middle[:, 2:3] - 0.1) & (y > nose[:, 1:2] - 0.1)
        parts[beard & maybe(0.12)] = PART["hair"]
        mouth = nose + vector(0, -0.035, -0.01)
        parts[((self.vertices - mouth[:, None]) * vector(0.6, 1.6, 1)).norm(dim=-1) < 0.016] = PART["mouth"]
        self.brim = self.cap[:, None] & hair & (z > middle[:, 2:3] - 0.03) & (y < middle[:, 1:2] + 0.07)

    def _thickness(self):
        """How far cloth, hair, shoes and gloves stand off the skin (B, V)."""
        count, parts = self.count, self.parts
        is_part = lambda *names: torch.stack([parts == PART[name] for name in names]).any(0)
        loose = lambda low, high, wide_low, wide_high: torch.where(chance(count, LOOSE_CHANCE), uniform(count, wide_low, wide_high), uniform(count, low, high))[:, None]
        shirt, legs = is_part("shirt", "sleeve", "trim"), is_part("trousers", "belt", "piping")
        thickness = torch.zeros(count, self.body.vertex_count, device=DEVICE)
        thickness = torch.where(shirt, loose(0.002, 0.03, 0.02, 0.05), thickness)
        thickness = torch.where(legs, loose(0.002, 0.025, 0.02, 0.045), thickness)
        flare = (1 + uniform(count, -0.3, 1.2)[:, None] * (self.along_leg.clamp(0, 2) - 0.5) * 0.6).clamp(0.3, 2.2)
        thickness = torch.where(legs, thickness * flare, thickness)
        drop = ((self.waist + 0.25 - self.vertices[..., 1]) * 3).clamp(0, 1)
        thickness = torch.where(shirt & self.trunk, thickness * (1 + uniform(count, -0.2, 1.0)[:, None] * drop), thickness)
        waves = torch.randn(count, 3, 3, device=DEVICE) * uniform(count, 12, 40)[:, None, None]
        fold = torch.sin(torch.einsum("bnc,bkc->bnk", self.vertices, waves) + torch.rand(count, 1, 3, device=DEVICE) * 6).prod(-1)
        thickness = torch.where(shirt | legs, thickness * (1 + uniform(count, 0, 0.6)[:, None] * 2 * fold), thickness)
        thickness = torch.where(is_part("shoe"), uniform(count, 0.002, 0.018)[:, None], thickness)
        thickness = torch.where(is_part("hair"), uniform(count, 0.004, 0.035)[:, None], thickness)
        thickness = torch.where(is_part("guard"), 0.02, thickness)
        glove_bone = torch.where(self.glove_left, self.body.bone_index["hand_L"], self.body.bone_index["hand_R"])
        worn = chance(count, torch.where(self.pitch, GLOVE_CHANCE_PITCH, GLOVE_CHANCE))
        glove = worn[:, None] & (self.body.dominant_bone[None] == glove_bone[:, None])
        parts[glove] = PART["glove"]
        parts[chance(count, 0.05)[:, None] & self._both("hand")] = PART["glove"]
        self.thickness = torch.where(glove, uniform(count, 0.005, 0.06)[:, None], thickness)

    def lying(self, normals):
        """The share of its thickness that cloth has where it lies on the body (B, V): a shirt rests on the shoulders, trousers
        hang from a belt, a sole is flat."""
        part = lambda *names: torch.stack([self.parts == PART[name] for name in names]).any(0)
        up = normals[..., 1]
        amount = lambda low, high: uniform(self.count, low, high)[:, None]
        share = torch.ones_like(up)
        share = torch.where(part("shirt", "sleeve", "trim"), 1 - amount(0.4, 0.95) * up.clamp(0, 1), share)
        below_belt = ((self.waist - self.vertices[..., 1]) / 0.35).clamp(0, 1)
        share = torch.where(part("trousers", "belt", "piping"), share * (1 - amount(0.2, 0.8) * (1 - below_belt)), share)
        return torch.where(part("shoe") & (up < -0.6), amount(0, 0.8), share)

    def props(self, unit_sphere):
        """Ellipsoids: vertices at rest (B, props * n, 3), bone of each prop (B, props)."""
        count, body, head = self.count, self.body, self.body.bone_index["head"]
        on = torch.rand(count, len(PROPS), device=DEVICE) < torch.where(self.pitch[:, None], vector(*PROP_CHANCE_PITCH), vector(*PROP_CHANCE))
        xyz = lambda *spans: torch.stack([uniform(count, low, high) for low, high in spans], 1)
        ears = (self._point("left_ear") + self._point("right_ear")) / 2
        half_head = (self._point("left_ear") - self._point("right_ear"))[:, :1] / 2
        tall = (self._point("head_top") - (self._point("left_eye") + self._point("right_eye")) / 2)[:, 1:2]
        left, right = self.glove_left[:, None], ~self.glove_left[:, None]
        gloved = torch.where(left, self._point("left_knuckle"), self._point("right_knuckle"))
        bare = torch.where(right, self._point("left_knuckle"), self._point("right_knuckle"))
        wrist = torch.where(left, self._point("left_wrist"), self._point("right_wrist"))
        pocket = gloved + (gloved - wrist) * uniform(count, -0.2, 0.9)[:, None]  # a glove reaches far beyond the knuckles
        hand = lambda is_left: torch.where(is_left, body.bone_index["hand_L"], body.bone_index["hand_R"])
        length, hem, back = uniform(count, 0.2, 0.75), uniform(count, 0.12, 0.34), torch.where(chance(count, 0.6), -1.0, 1.0)
        zero = torch.zeros(count, device=DEVICE)
        ball = uniform(count, 0.034, 0.042)[:, None].expand(-1, 3)
        pack = torch.stack([uniform(count, -0.03, 0.03), uniform(count, -0.02, 0.2), back * uniform(count, 0.1, 0.17)], 1)
        table = {  # centre, half axes, bone
            "hat": (ears + xyz((0, 0), (0.01, 0.075), (0, 0.035)),
                    torch.cat([half_head * uniform(count, 0.95, 1.25)[:, None], tall * uniform(count, 0.75, 1.2)[:, None],
                               half_head * uniform(count, 1.05, 1.4)[:, None]], 1), head),
            "long_hair": (ears + xyz((-0.02, 0.02), (-0.16, 0.03), (-0.1, -0.02)), xyz((0.03, 0.11), (0.06, 0.2), (0.03, 0.09)), head),
            "held": (pocket + normal((count, 3), 0, 0.02), xyz((0.04, 0.12), (0.04, 0.15), (0.04, 0.12)), hand(self.glove_left)),
            "stick": (bare, torch.stack([uniform(count, 0.01, 0.035), length, uniform(count, 0.01, 0.035)], 1), hand(~self.glove_left)),
            "pack": (self._bone("thorax") + pack, xyz((0.1, 0.2), (0.12, 0.28), (0.05, 0.12)), body.bone_index["thorax"]),
            "skirt": (self._bone("pelvis") + torch.stack([zero, 0.1 - hem, uniform(count, 0.03, 0.09)], 1),
                      torch.stack([uniform(count, 0.16, 0.23), hem, uniform(count, 0.13, 0.19)], 1), body.bone_index["pelvis"]),
            "ball": (bare + normal((count, 3), 0, 0.02), ball, hand(~self.glove_left)),
        }
        roundness = uniform((count, len(PROPS)), 0.35, 1.0)[..., None, None]
        roundness[:, PROPS.index("ball")] = 1.0
        shape = unit_sphere.sign()[None, None] * unit_sphere.abs()[None, None] ** roundness
        tilt = torch.randn(count, len(PROPS), device=DEVICE) * vector(0.12, 0.2, 1.5, 1.5, 0.15, 0.05, 1.0)
        turn = about_axis(unit(torch.randn(count, len(PROPS), 3, device=DEVICE)), tilt)
        points, bones = [], []
        for index, name in enumerate(PROPS):
            centre, axes, bone = table[name]
            local = torch.einsum("bij,bnj->bni", turn[:, index], shape[:, index] * axes[:, None])
            if name == "stick":
                local = local + (turn[:, index, :, 1] * (length * uniform(count, 0.3, 0.95))[:, None])[:, None]
            points.append(centre[:, None] + local * on[:, index, None, None])
            bones.append(bone if torch.is_tensor(bone) else torch.full((count,), bone, device=DEVICE))
        return torch.cat(points, 1), torch.stack(bones, 1)

    def colours(self):
        """The colour table (B, parts) and the decal table (B, decals)."""
        count, kinds = self.count, len(PARTS)
        rand = lambda *shape: torch.rand(count, *shape, device=DEVICE)
        grey_or_colour = lambda: torch.where(rand(kinds, 1) < 0.45, rand(kinds, 1).expand(-1, -1, 3), rand(kinds, 3)) * 0.95 + 0.03
        cloth = Table(CLOTH, count, kinds)
        base = grey_or_colour()
        extreme = rand(kinds, 1)  # many kits are nearly black or nearly white
        base = torch.where(extreme < 0.16, base * 0.15, torch.where(extreme > 0.84, 1 - (1 - base) * 0.15, base))
        cloth["colour"] = base
        cloth["stripe_colour"] = grey_or_colour()
        cloth["noise"], cloth["noise_frequency"] = rand(kinds) * 0.35, torch.exp(rand(kinds) * 3.5 + 0.5)
        cloth["stripe"] = torch.where(rand(kinds) < 0.22, 0.3 + 0.7 * rand(kinds), torch.zeros((), device=DEVICE))
        cloth["stripe_frequency"] = torch.exp(rand(kinds) * 2.7 + 2)
        cloth["stripe_axis"], cloth["stripe_level"] = torch.randint(0, 2, (count, kinds), device=DEVICE).float(), rand(kinds) * 1.4 - 0.6
        cloth["wrinkle"], cloth["wrinkle_frequency"] = rand(kinds) * 1.26, torch.exp(rand(kinds) * 1.6 + 2)
        cloth["offset"] = rand(kinds, 2) * 4
        cloth["texture"] = torch.where(rand(kinds) < 0.3, 0.35 + 0.65 * rand(kinds), torch.zeros((), device=DEVICE))
        cloth["texture_index"] = torch.floor(DECAL_TEXTURES + rand(kinds) * (WEAVES + PHOTO_CLOTH - 0.01))
        cloth["texture_scale"] = torch.exp(rand(kinds) * 2.2 + 0.6)
        cloth["shine"] = torch.where(rand(kinds) < 0.3, rand(kinds) * 0.35, torch.zeros((), device=DEVICE))
        plain = (rand() < PLAIN_CHANCE)[:, None]
        for name in ("noise", "stripe", "wrinkle", "texture", "shine"):
            cloth[name] = torch.where(plain, torch.zeros((), device=DEVICE), cloth[name])

        data, at = cloth.data, lambda *names: [PART[name] for name in names]
        same = chance(count, 0.6)[:, None]  # sleeves as the shirt
        data[:, PART["sleeve"]] = torch.where(same, data[:, PART["shirt"]], data[:, PART["sleeve"]])
        suit = chance(count, 0.15)[:, None]
        shirt_colour = cloth["colour", PART["shirt"]].clone()
        cloth["colour", PART["trousers"]] = torch.where(suit, shirt_colour * uniform(count, 0.8, 1.1)[:, None], cloth["colour", PART["trousers"]])
        cloth["colour", PART["skirt"]] = torch.where(chance(count, 0.5)[:, None], shirt_colour, cloth["colour", PART["skirt"]])
        tone = rand(1)
        skin = (vector(0.93, 0.74, 0.62) * (1 - tone) + vector(0.25, 0.15, 0.1) * tone) * uniform(count, 0.85, 1.1)[:, None]
        cloth["colour", PART["skin"]] = skin + normal((count, 3), 0, 0.02)
        cloth["colour", PART["mouth"]] = skin * vector(0.85, 0.55, 0.55)
        cloth["colour", PART["eye"]] = uniform(count, 0.02, 0.25)[:, None]
        dark, fair = uniform(count, 0.02, 0.2)[:, None] * vector(1.2, 1.0, 0.8), vector(0.6, 0.45, 0.25) * uniform(count, 0.3, 1.4)[:, None]
        hair = torch.where(chance(count, 0.55)[:, None], dark, torch.where(chance(count, 0.8)[:, None], fair, uniform(count, 0.3, 0.9)[:, None].expand(-1, 3)))
        capped = (self.cap & chance(count, 0.9))[:, None]
        cloth["colour", PART["hair"]] = torch.where(capped, cloth["colour", PART["hair"]], hair)
        cloth["colour", PART["long_hair"]] = hair
        cloth["colour", PART["hat"]] = torch.where(chance(count, 0.25)[:, None], hair, cloth["colour", PART["hat"]])
        leather = vector(0.5, 0.3, 0.15) * uniform(count, 0.4, 1.6)[:, None]
        glove = torch.where(chance(count, 0.5)[:, None], leather, cloth["colour", PART["glove"]])
        cloth["colour", PART["glove"]] = glove
        held = torch.where(chance(count, 0.7)[:, None], glove, cloth["colour", PART["held"]])
        cloth["colour", PART["held"]] = torch.where((chance(count, 0.15) & ~self.pitch)[:, None], skin, held)
        cloth["colour", PART["ball"]] = uniform(count, 0.75, 1.0)[:, None] * vector(1.0, 0.98, 0.94)
        for part in at("skin", "eye", "mouth", "ball"):
            cloth["noise", part] = cloth["noise", part] * 0.3
            cloth["stripe", part] = 0.0
            cloth["wrinkle", part] = cloth["wrinkle", part] * 0.1
            cloth["texture", part] = 0.0
        cloth["texture", PART["long_hair"]] = 0.0
        return cloth, self._decals()

    def _decals(self):
        """A number on the chest, a badge, a number on the back, a picture on the trousers; each on some people."""
        count = self.count
        decals = Table(DECAL, count, DECALS)
        chest, hip = self._bone("thorax")[:, 1], self._bone("thigh_L")[:, 1]
        for index, (share, low, high, facing) in enumerate(((0.35, 0.03, 0.16, 1), (0.2, 0.02, 0.05, 1), (0.4, 0.06, 0.17, -1), (0.12, 0.02, 0.08, 1))):
            half = uniform(count, low, high)
            decals["amount", index] = torch.where(chance(count, share), uniform(count, 0.6, 1.0), torch.zeros((), device=DEVICE))
            photograph = DECAL_TEXTURES + WEAVES + uniform(count, 0, PHOTO_CLOTH - 0.1)
            decals["texture", index] = torch.floor(torch.where(chance(count, 0.2), photograph, uniform(count, 0, DECAL_TEXTURES - 0.1)))
            decals["half_width", index], decals["half_height", index] = half * uniform(count, 0.5, 1.6), half
            decals["facing", index] = float(facing)
            if index < 3:
                decals["x", index] = uniform(count, -0.12, 0.12) if index == 1 else uniform(count, -0.03, 0.03)
                decals["y", index] = chest + uniform(count, -0.1, 0.2)
            else:
                decals["x", index] = torch.where(chance(count, 0.5), 1.0, -1.0) * uniform(count, 0.06, 0.16)
                decals["y", index] = hip - uniform(count, 0.05, 0.4)
                decals["trousers", index] = 1.0
        return decals
