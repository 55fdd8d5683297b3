"""The human body behind the training pictures: shapes, joint correction, rig.

The data file (an `.npz`, path given by the caller) packs the CC0 assets of the MakeHuman project: mesh, rig and shape
targets reduced to principal components. Units are metres, +y up, +z where the body faces, +x the body's left.

The rig's joints are not anatomical, so every body is corrected before use (`corrected`): hips closer together, upper
arm and forearm longer, by the same factors in everybody, as the rendered films do it (../bodies/pack_bodies.py). So each
body keeps its own proportions, and a joint centre lies at the same place within the flesh in everybody.
"""

import numpy as np
import torch

from rotations import DEVICE, vector

# The network's keypoints in output order, and the data file's name for each.
_SIDED = {
    "shoulder": "shoulder", "elbow": "elbow", "wrist": "wrist", "knuckle": "knuckle", "hip": "hip", "knee": "knee",
    "ankle": "ankle", "heel": "heel", "big_toe": "big_toe", "small_toe": "small_toe", "eye": "eye", "ear": "ear",
}
KEYPOINT_SOURCE = {"nose": "nose", "head_top": "head_top", "neck": "neck_base"}
for _joint, _name in _SIDED.items():
    KEYPOINT_SOURCE[f"left_{_joint}"] = f"{_name}_L"
    KEYPOINT_SOURCE[f"right_{_joint}"] = f"{_name}_R"
JOINTS = list(KEYPOINT_SOURCE)
# Taught beside the joints: the knuckles at the edges of the hand and the pelvis's four spines. The spines lie further
# from the middle of the pelvis than the hips do, so that they show better where it faces.
for _joint in ("index_knuckle", "little_knuckle"):
    for _side, _end in (("left", "L"), ("right", "R")):
        KEYPOINT_SOURCE[f"{_side}_{_joint}"] = f"{_joint.replace('little', 'pinky')}_{_end}"
SPINES = ["left_asis", "right_asis", "left_psis", "right_psis"]
KEYPOINTS = list(KEYPOINT_SOURCE) + SPINES
KEYPOINT_INDEX = {name: index for index, name in enumerate(KEYPOINTS)}


def _other_side(name):
    swap = {"left_": "right_", "right_": "left_"}
    return next((swap[side] + name[len(side):] for side in swap if name.startswith(side)), name)


# The bone that carries each keypoint (sides as in the data file's names).
_CARRIER = {"shoulder": "upperarm", "elbow": "forearm", "wrist": "hand", "knuckle": "hand", "index_knuckle": "hand", "pinky_knuckle": "hand", "hip": "thigh", "knee": "shank", "ankle": "foot",
            "heel": "foot", "big_toe": "toes", "small_toe": "toes"}


def carrier(source):
    """The bone that the data file's keypoint `source` moves with."""
    if source == "neck_base":
        return "neck"
    stem, side = source[:-2], source[-2:]
    return _CARRIER[stem] + side if stem in _CARRIER else "head"


# Where each keypoint goes when the picture is mirrored.
MIRRORED = [KEYPOINT_INDEX[_other_side(name)] for name in KEYPOINTS]

HIP_FACTOR = 0.82  # on the rig's distance between the hip joint centres
UPPER_ARM_FACTOR = 1.081  # shoulder to elbow; the shoulder moves
FOREARM_FACTOR = 1.069  # elbow to wrist; the wrist moves
# The spines from the hips, as shares of the distance between the two front ones. Front: the hip-centre regression of Bell,
# Brand and Pedersen (Hum Mov Sci 1989;8:3-16: 14 % medial, 30 % distal, 22 % posterior) read backwards. Back: half their
# distance and the pelvic depth, from memory and so that they lie under the skin of these bodies.
FRONT_OUT, FRONT_UP, FRONT_FORWARD = 0.14, 0.30, 0.22
BACK_HALF, PELVIC_DEPTH = 0.20, 0.55
SMALLEST_M, TALLEST_M = 1.25, 2.02  # bodies outside are scaled to the nearer bound
HELD_OUT_BODIES = 80  # the last bodies of the file are never trained on


class Body:
    """Shape space, rig and mesh of the data file."""

    def __init__(self, path, held_out=False):
        data = np.load(path)
        to = lambda array, kind="f4": torch.tensor(array.astype(kind), device=DEVICE)
        self.bone_names = [str(name) for name in data["bone_names"]]
        self.bone_index = {name: index for index, name in enumerate(self.bone_names)}
        self.bone_parent = data["bone_parent"].tolist()
        self.vertex_count = int(data["n_vertices"])
        self.triangles = data["triangles"].astype("i4")
        self.skin_index = to(data["skin_index"], "i8")
        self.skin_weight = to(data["skin_weight"])
        self.skin_weight = self.skin_weight / self.skin_weight.sum(1, keepdim=True)
        self.dominant_bone = self.skin_index[torch.arange(self.vertex_count), self.skin_weight.argmax(1)]

        names = [str(name) for name in data["keypoint_names"]]
        rows = [names.index(source) for source in KEYPOINT_SOURCE.values()]
        bones = len(self.bone_names)
        keep = np.r_[0:self.vertex_count + bones, self.vertex_count + bones + np.array(rows)]
        carriers = [carrier(source) for source in KEYPOINT_SOURCE.values()] + ["pelvis"] * len(SPINES)
        self.keypoint_bone = torch.tensor([self.bone_index[bone] for bone in carriers], device=DEVICE)
        self.mean = to(data["mean"][keep])
        self.basis = to(data["basis"][:, keep])
        coefficients = to(data["coefs"])
        self.coefficients = coefficients[-HELD_OUT_BODIES:] if held_out else coefficients[:-HELD_OUT_BODIES]

    def sample(self, count):
        """Random corrected bodies at rest: mesh vertices, bone heads, keypoints, each (B, ..., 3)."""
        pick = lambda: self.coefficients[torch.randint(len(self.coefficients), (count,), device=DEVICE)]
        first, second, weight = pick(), pick(), torch.rand(count, 1, device=DEVICE)
        points = self.mean + torch.einsum("bk,knc->bnc", first * weight + second * (1 - weight), self.basis)
        height = points[:, :self.vertex_count, 1].amax(1)
        points = points * (height.clamp(SMALLEST_M, TALLEST_M) / height)[:, None, None]
        ends = self.vertex_count, self.vertex_count + len(self.bone_names)
        return self.corrected(points[:, :ends[0]], points[:, ends[0]:ends[1]], points[:, ends[1]:])

    def corrected(self, vertices, bones, keypoints):
        """The body with anatomical hip, shoulder and wrist centres; keypoints and posing bone heads move alike."""
        bones, keypoints = bones.clone(), keypoints.clone()
        joint = lambda name: keypoints[:, KEYPOINT_INDEX[name]]

        def move(name, bone, position):
            keypoints[:, KEYPOINT_INDEX[name]] = position
            bones[:, self.bone_index[bone]] = position

        middle = (joint("left_hip") + joint("right_hip"))[:, 0] / 2
        for side, end in (("left", "L"), ("right", "R")):
            hip = joint(f"{side}_hip").clone()
            hip[:, 0] = middle + (hip[:, 0] - middle) * HIP_FACTOR
            move(f"{side}_hip", f"thigh_{end}", hip)
            elbow = joint(f"{side}_elbow")
            for name, bone, factor in (("shoulder", "upperarm", UPPER_ARM_FACTOR), ("wrist", "hand", FOREARM_FACTOR)):
                move(f"{side}_{name}", f"{bone}_{end}", elbow + (joint(f"{side}_{name}") - elbow) * factor)
        return vertices, bones, torch.cat([keypoints, self.spines(joint("left_hip"), joint("right_hip"))], 1)

    @staticmethod
    def spines(left_hip, right_hip):
        """The pelvis's four spines of bodies at rest, in the order of SPINES; (B, 4, 3)."""
        middle = (left_hip + right_hip) / 2
        width = (left_hip - right_hip)[:, :1] / (1 - 2 * FRONT_OUT)
        offset = lambda across, forward: middle + width * vector(across, FRONT_UP, forward)
        back = FRONT_FORWARD - PELVIC_DEPTH
        return torch.stack([offset(0.5, FRONT_FORWARD), offset(-0.5, FRONT_FORWARD), offset(BACK_HALF, back), offset(-BACK_HALF, back)], 1)

    def forward_kinematics(self, bones, local):
        """Global bone rotations (B, bones, 3, 3) and translations (B, bones, 3) from rotations about the bone heads."""
        rotation, translation = [], []
        for index, parent in enumerate(self.bone_parent):
            offset = bones[:, index] - torch.einsum("bij,bj->bi", local[:, index], bones[:, index])
            if parent < 0:
                rotation.append(local[:, index])
                translation.append(offset)
            else:
                rotation.append(rotation[parent] @ local[:, index])
                translation.append(torch.einsum("bij,bj->bi", rotation[parent], offset) + translation[parent])
        return torch.stack(rotation, 1), torch.stack(translation, 1)

    def skinned(self, vertices, rotation, translation):
        """Mesh vertices (B, V, 3) moved by linear-blend skinning."""
        turn = (rotation[:, self.skin_index] * self.skin_weight[None, :, :, None, None]).sum(2)
        shift = (translation[:, self.skin_index] * self.skin_weight[None, :, :, None]).sum(2)
        return torch.einsum("bnij,bnj->bni", turn, vertices) + shift

    def posed_keypoints(self, keypoints, rotation, translation):
        """Keypoints (B, K, 3), each moved rigidly with its bone."""
        turned = torch.einsum("bkij,bkj->bki", rotation[:, self.keypoint_bone], keypoints)
        return turned + translation[:, self.keypoint_bone]
