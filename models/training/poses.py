"""Random poses: half of them phases of a pitch, the rest everyday and athletic ones.

A pose is a local rotation per bone in the rest pose's world axes. The pitch is described by angles at eight moments
(our own curves from published descriptions of the delivery, from memory), read at a random time between them with wide
noise, for a right-handed thrower; `mirrored` makes the left-handed one. Angles are degrees.
"""

import math

import torch

from rotations import RADIANS, Z_AXIS, about_axis, about_x, about_y, about_z, between, chance, normal, uniform, unit, vector

# Moments: 0 set, 1 knee highest, 2 hands apart, 3 foot down, 4 arm laid back, 5 release, 6 follow-through, 7 end.
TRUNK_FORWARD = [0, 5, 5, 5, 10, 35, 55, 65]
TRUNK_SIDE = [0, 0, -5, 0, -15, -22, -20, -10]
TRUNK_TURN = [0, -10, -15, -30, -10, 15, 25, 30]
THROWING = dict(
    elevation=[40, 45, 60, 85, 95, 95, 90, 50], plane=[50, 50, 20, -10, 0, 10, 30, 80], twist=[0, 0, -20, 40, 140, 100, 30, -30],
    elbow=[100, 95, 60, 85, 95, 35, 25, 40], hip_flexion=[5, 10, 35, 30, 5, -5, -10, 20], hip_abduction=[8, 5, 25, 40, 35, 25, 20, 10],
    hip_rotation=[0, 0, 0, -10, -30, -40, -40, -20], knee=[8, 20, 50, 45, 50, 55, 60, 80], ankle=[0, 0, 0, 10, 35, 40, 45, 20],
)
LEADING = dict(
    elevation=[40, 45, 55, 80, 70, 45, 40, 40], plane=[50, 50, 30, 20, 40, 30, 20, 30], twist=[0, 0, 0, 10, 0, -10, -10, 0],
    elbow=[100, 95, 50, 50, 80, 100, 100, 90], hip_flexion=[5, 95, 60, 45, 70, 75, 75, 60], hip_abduction=[8, 5, 30, 35, 20, 10, 10, 10],
    hip_rotation=[0, 5, 10, 10, 0, 0, 0, 0], knee=[8, 100, 60, 40, 40, 35, 25, 20], ankle=[0] * 8,
)
# A second description, wider in the arms, near the film studio's curves (src/scene/motion/arm.rs): straight and low behind
# while the hands part, spread at foot contact, laid far back. Each pitch lies somewhere between the two.
THROWING_WIDE = dict(elevation=[34, 38, 27, 96, 96, 93, 80, 72], plane=[48, 48, -14, -22, 0, 8, 60, 102], twist=[24, 24, 2, 72, 184, 125, 50, 2],
                     elbow=[112, 112, 24, 92, 88, 25, 24, 42])
LEADING_WIDE = dict(elevation=[34, 38, 60, 84, 70, 45, 38, 34], plane=[48, 48, 10, -4, 2, 4, 0, -12], twist=[24, 24, 18, 16, 40, 60, 62, 62],
                    elbow=[112, 112, 70, 48, 80, 118, 118, 118])
HEAD_TURN = [25, 25, 32, 35, 20, 5, 0, 0]  # of neck and head each, to the target
# Where to look most: foot contact, layback and release.
FOCUS_SHARES, FOCUS_MOMENTS, FOCUS_SPREAD = (0.42, 0.30, 0.16, 0.12), (0, 3.0, 4.0, 5.0), (0, 0.45, 0.35, 0.35)
SPREAD = dict(elevation=14, plane=16, twist=22, elbow=16, hip_flexion=13, hip_abduction=9, hip_rotation=12, knee=13, ankle=11)

KINDS = ["pitch", "free", "walk", "stand", "crouch", "sit", "lunge"]
SHARES = [0.50, 0.15, 0.11, 0.10, 0.06, 0.03, 0.05]

# Arm styles outside the pitch: 0 free, 1 hanging, 2 swinging, 3 on the hip, 4 crossed or at the chest, 5 at the face,
# 6 overhead, 7 straight out, 8 gripping in front.
STYLE_SHARES = [0.16, 0.13, 0.10, 0.10, 0.12, 0.12, 0.08, 0.10, 0.09]
STYLE = dict(elevation=[0, 12, 0, 42, 28, 45, 155, 85, 38], plane=[0, 20, 0, -12, 45, 70, 40, 0, 70], elbow=[0, 16, 0, 100, 100, 138, 25, 8, 75],
             twist=[0, 10, 0, -75, -60, 10, 0, 0, -35])
STYLE_SPREAD = [0, 7, 0, 9, 12, 12, 14, 12, 12]


class PoseSampler:
    """Draws poses for rest bodies."""

    def __init__(self, body, shares=SHARES, focus=False):
        self.body, self.shares, self.focus = body, shares, focus

    def sample(self, bones, moment=None):
        """Local rotations (B, bones, 3, 3) and which of them are pitches; `moment` fixes the time in the pitch."""
        count = len(bones)
        if moment is None and self.focus:
            part = torch.multinomial(vector(*FOCUS_SHARES), count, True)
            near = vector(*FOCUS_MOMENTS)[part] + torch.randn(count, device=bones.device) * vector(*FOCUS_SPREAD)[part]
            moment = torch.where(part == 0, uniform(count, 0, 6.5), near)
        pose = _Pose(self.body, bones, torch.multinomial(vector(*self.shares), count, True), moment)
        pose.trunk()
        for side in "LR":
            pose.limbs(side)
        pose.pelvis()
        return pose.rotation, pose.pitch

    def mirrored(self, rotation, which):
        """The poses of `which` seen in a mirror."""
        body = self.body
        flip = torch.diag(vector(-1, 1, 1))
        swap = {"L": "R", "R": "L"}
        other = [body.bone_index[n[:-1] + swap[n[-1]]] if n[-2:] in ("_L", "_R") else i for i, n in enumerate(body.bone_names)]
        return torch.where(which[:, None, None, None], (flip @ rotation @ flip)[:, other], rotation)


class _Pose:
    """The state of one batch while its angles are drawn."""

    def __init__(self, body, bones, kind, moment):
        self.body, self.bones, self.count = body, bones, len(bones)
        count = self.count
        self.rotation = torch.eye(3, device=bones.device).expand(count, len(body.bone_names), 3, 3).clone()
        for index, name in enumerate(KINDS):
            setattr(self, name, kind == index)
        self.moment = torch.rand(count, device=bones.device) * 7 if moment is None else moment
        self.wide = uniform(count, 0, 1.1)  # share of the second description of the arms
        self.cycle = uniform(count, 0, 2 * math.pi)  # of the step
        self.run = chance(count, 0.5)
        self.stride = torch.where(self.run, uniform(count, 0.7, 1.6), uniform(count, 0.2, 1.0))
        self.arms_alike = chance(count, 0.3)
        self.shared_style = torch.multinomial(vector(*STYLE_SHARES), count, True)

    def noise(self, deviation, mean=0.0):
        return normal(self.count, mean, deviation)

    def curve(self, table, deviation, wide=None):
        """The phase curve at each body's moment, with noise; `wide` is the second description's."""
        if wide is not None:
            apart = [second - first for first, second in zip(table, wide)]
            return self.curve(table, deviation) + self.wide * self.curve(apart, 0)
        values = vector(*table)
        before = self.moment.floor().clamp(0, 6).long()
        part = self.moment - before
        return values[before] * (1 - part) + values[before + 1] * part + self.noise(deviation)

    @staticmethod
    def choose(value, *alternatives):
        for condition, alternative in alternatives:
            value = torch.where(condition, alternative, value)
        return value

    def turn(self, bone, rotation):
        self.rotation[:, self.body.bone_index[bone]] = rotation

    def trunk(self):
        noise, count = self.noise, self.count
        forward = self.choose(noise(18, 8), (self.pitch, self.curve(TRUNK_FORWARD, 12)), (self.walk, noise(7, 5) + self.run * uniform(count, 0, 15)),
                              (self.stand, noise(7, 2)), (self.crouch, uniform(count, 0, 60)), (self.sit, noise(14, 8)), (self.lunge, noise(20, 15)))
        side = self.choose(noise(12), (self.pitch, self.curve(TRUNK_SIDE, 9)), (self.walk | self.stand | self.sit, noise(6)), (self.lunge, noise(18)))
        turn = self.choose(noise(20), (self.pitch, self.curve(TRUNK_TURN, 14)), (self.walk, torch.sin(self.cycle) * 12 * self.stride + noise(6)),
                           (self.stand, noise(10)), (self.lunge, noise(28)))
        for bone in ("lumbar", "thorax"):
            self.turn(bone, about_y((turn * 0.5 + noise(4)) * RADIANS) @ about_x(forward * 0.5 * RADIANS) @ about_z(side * 0.5 * RADIANS))
        for bone in ("neck", "head"):
            raised = noise(18) - forward.clamp(0, 60) * 0.25
            turned = torch.where(self.pitch, self.wide * self.curve(HEAD_TURN, 0), 0.0)
            self.turn(bone, about_y((turned + noise(28)) * RADIANS) @ about_x(raised * RADIANS) @ about_z(noise(8) * RADIANS))
        bent = self.crouch | (self.free & chance(count, 0.25)) | (self.pitch & (self.moment > 4.5) & chance(count, 0.5))
        tilt = torch.where(bent, uniform(count, 0, 1) ** 1.5 * 70, noise(9))
        self.tilt = torch.where(self.sit, noise(12), tilt)

    def limbs(self, side):
        curves, wide = (THROWING, THROWING_WIDE) if side == "R" else (LEADING, LEADING_WIDE)
        angles = {name: self.curve(table, SPREAD[name], wide.get(name)) for name, table in curves.items()}
        self.arm(side, angles)
        self.leg(side, angles)

    def arm(self, side, pitch):
        count, noise, choose = self.count, self.noise, self.choose
        style = torch.multinomial(vector(*STYLE_SHARES), count, True)
        style = torch.where(self.arms_alike, self.shared_style, style)
        style = torch.where(self.walk & chance(count, 0.75), 2, style)
        style = torch.where(self.stand & chance(count, 0.3), 1, style)
        style = torch.where(self.free & chance(count, 0.5), 0, style)
        styled = lambda name: vector(*STYLE[name])[style] + torch.randn(count, device=style.device) * vector(*STYLE_SPREAD)[style]
        phase = self.cycle + (0 if side == "L" else math.pi)
        swing = -torch.sin(phase) * 38 * self.stride + noise(8) + 4
        free, swinging, out = style == 0, style == 2, style == 7
        elevation = choose(styled("elevation"), (swinging, (swing * swing + 14.0 ** 2).sqrt()), (free, uniform(count, 0, 1).sqrt() * 150),
                           (self.pitch, pitch["elevation"])).clamp(0, 175)
        plane = choose(styled("plane") + torch.where(out, uniform(count, -20, 100), 0.0), (swinging, torch.atan2(swing, uniform(count, 8, 16)) / RADIANS),
                       (free, noise(45, 35)), (self.pitch, pitch["plane"]))
        elbow = choose(styled("elbow"), (swinging, torch.where(self.run, noise(15, 88), noise(10, 22))), (free, uniform(count, 0, 1) * 135),
                       (self.pitch, pitch["elbow"]))
        twist = choose(styled("twist") + noise(10), (swinging, noise(12, 8)), (free, noise(50)), (self.pitch, pitch["twist"]))

        out_sign = 1.0 if side == "L" else -1.0
        head = lambda bone: self.bones[:, self.body.bone_index[f"{bone}_{side}"]]
        upper, fore = unit(head("forearm") - head("upperarm")), unit(head("hand") - head("forearm"))
        e, p = elevation * RADIANS, plane * RADIANS
        target = unit(torch.stack([out_sign * torch.sin(e) * torch.cos(p), -torch.cos(e), torch.sin(e) * torch.sin(p)], -1))
        shrug = ((elevation - 60).clamp(0, 90) * 0.25 + noise(3)) * RADIANS
        forward = ((plane * 0.2).clamp(-12, 20) + noise(5)) * RADIANS  # the shoulder goes with the arm, and is never quite still
        self.turn(f"clavicle_{side}", about_y(-out_sign * forward) @ about_z(out_sign * shrug))
        self.turn(f"upperarm_{side}", about_axis(target, -twist * RADIANS * out_sign) @ between(upper, target))
        hinge = unit(torch.cross(fore, Z_AXIS.expand(count, 3), dim=-1))
        self.turn(f"forearm_{side}", about_axis(hinge, (elbow.clamp(-3, 148) - 20) * RADIANS))  # 20: bend of the rest pose
        self.turn(f"wristtwist_{side}", about_axis(fore, noise(35) * RADIANS))
        self.turn(f"hand_{side}", about_axis(hinge, noise(25) * RADIANS) @ about_axis(unit(torch.cross(hinge, fore, dim=-1)), noise(12) * RADIANS))

    def leg(self, side, pitch):
        count, noise, choose = self.count, self.noise, self.choose
        out_sign, right = (1.0, False) if side == "L" else (-1.0, True)
        phase = self.cycle + (math.pi if right else 0)
        swing, lift = torch.sin(phase), torch.sin(phase + 1.3).clamp(min=0)
        flexion = torch.where(chance(count, 0.5), noise(8, 10), noise(30, 35)).clamp(-30, 125)
        straight_lunge = noise(22, 70) if right else noise(18, -12)
        flexion = choose(flexion, (self.pitch, pitch["hip_flexion"]), (self.walk, 12 * self.run * self.stride + 32 * self.stride * swing + noise(6)),
                         (self.stand, noise(6, 2)), (self.crouch, self.tilt + uniform(count, 10, 85) + noise(8)),
                         (self.sit, noise(10, 82) + self.tilt * 0.5), (self.lunge, straight_lunge.clamp(-35, 130)))
        flexion = torch.where((self.free | self.pitch) & (self.tilt > 15), flexion * 0.6 + self.tilt, flexion)
        abduction = choose(noise(8, 11).clamp(-15, 60), (self.pitch, pitch["hip_abduction"]), (self.walk, noise(4, 3)), (self.stand, noise(5, 5)),
                           (self.crouch, noise(12, 16)), (self.sit, noise(9, 7)), (self.lunge, noise(18, 14)))
        rotation = choose(noise(15), (self.pitch, pitch["hip_rotation"]))
        knee = choose(torch.where(flexion > 40, noise(30, 70), noise(20, 15)), (self.pitch, pitch["knee"]),
                      (self.walk, 8 + self.stride * lift * torch.where(self.run, 80.0, 45.0) + noise(6)), (self.stand, noise(6, 5)),
                      (self.crouch, flexion * uniform(count, 0.75, 1.25)), (self.sit, noise(18, 85)),
                      (self.lunge, noise(30, 40) if right else noise(20, 22)))
        ankle = choose(noise(12), (self.pitch, pitch["ankle"]))
        self.turn(f"thigh_{side}", about_z(out_sign * abduction * RADIANS) @ about_x(-flexion.clamp(-40, 135) * RADIANS)
                  @ about_y(out_sign * rotation * RADIANS))
        self.turn(f"shank_{side}", about_x(knee.clamp(-2, 145) * RADIANS))
        self.turn(f"foot_{side}", about_x(ankle * RADIANS) @ about_z(noise(6) * RADIANS))
        self.turn(f"toes_{side}", about_x(-uniform(count, 0, 25) * RADIANS))

    def pelvis(self):
        side = torch.where(chance(self.count, 0.06), self.noise(40), self.noise(8))
        self.turn("pelvis", about_x(self.tilt * RADIANS) @ about_z(side * RADIANS))
