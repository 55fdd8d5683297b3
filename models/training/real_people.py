"""Score keypoint networks on the labelled real people of fixtures/real_people, the same crops for every network.

Usage: real_people.py MANIFEST.toml [MANIFEST.toml ...] [--onnx FILE] [--half A] [--per-joint] [--crops OUT.npz] [--second-pass]
A manifest is what `--model` takes (models/athlete.toml): the ONNX file named in it is run with the decoding it describes.
`--onnx` runs another file with the first manifest's description, for networks that are not shipped. `--half A` is for
choosing between networks; B is for reporting alone. `--second-pass` scores the labeller's second pass against the first.
Needs numpy, opencv, onnxruntime; pictures from Debian's package opencv-doc.
"""

import argparse
import csv
import tomllib
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np

LABELS = Path(__file__).parents[2] / "fixtures/real_people/labels.csv"
PICTURES = Path("/usr/share/doc/opencv-doc")
SIDED = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
FEET = ("heel", "big_toe", "small_toe")
NEARNESS_CELLS = 1.8  # the constant of networks that are read by centre and offset
LEAST_APART = 0.1  # trunk lengths between the two labels of a pair that can tell the sides apart
GAUSSIAN_50, GAUSSIAN_90 = 1.17741, 2.14597  # radii of the 50 % and 90 % circles of a unit normal in the plane


def people(labels=LABELS):
    """One dictionary a person: number, source, frame, half, passes {pass: {joint: (x, y, visibility)}}."""
    found = {}
    for row in csv.DictReader(open(labels)):
        person = found.setdefault(int(row["person"]), dict(
            number=int(row["person"]), source=row["source"], frame=int(row["frame"]), half=row["half"], passes=defaultdict(dict)))
        if row["visibility"] != "outside":
            person["passes"][int(row["pass"])][row["joint"]] = (float(row["x_px"]), float(row["y_px"]), row["visibility"])
    return list(found.values())


def pictures(persons):
    """(source, frame) -> picture, RGB float."""
    found = {}
    for source in {person["source"] for person in persons}:
        path = next(PICTURES.rglob(source))
        wanted = {person["frame"] for person in persons if person["source"] == source}
        if path.suffix != ".avi":
            found[source, 0] = cv2.imread(str(path))[..., ::-1].astype("f4")
            continue
        video = cv2.VideoCapture(str(path))
        for frame in range(max(wanted) + 1):
            picture = video.read()[1]
            if frame in wanted:
                found[source, frame] = picture[..., ::-1].astype("f4")
    return found


def trunk_px(labels):
    """Middle of the shoulders to middle of the hips."""
    at = lambda side, joint: np.array(labels[f"{side}_{joint}"][:2])
    middle = lambda joint: (at("left", joint) + at("right", joint)) / 2
    return float(np.linalg.norm(middle("shoulder") - middle("hip")))


def region(labels, width, height, share):
    """Left, top, width, height (edges, px) of the crop in which the box round all labelled points fills `share`."""
    points = np.array([label[:2] for label in labels.values()]) + 0.5
    low, high = points.min(0), points.max(0)
    tall = max(high[1] - low[1], (high[0] - low[0]) * height / width) / share
    middle, size = (low + high) / 2, np.array([tall * width / height, tall])
    return *(middle - size / 2), *size


def taps(start, length, outputs, sources):
    """Weights (outputs, sources): a triangle as wide as the shrinking asks for, the nearest pixel beyond the edges."""
    step = length / outputs
    radius = max(step, 1.0)
    weights = np.zeros((outputs, sources), "f4")
    for k in range(outputs):
        centre = start + (k + 0.5) * step - 0.5
        at = np.arange(np.ceil(centre - radius), np.floor(centre + radius) + 1)
        np.add.at(weights[k], np.clip(at, 0, sources - 1).astype(int), np.maximum(0, 1 - abs(at - centre) / radius))
    return weights / weights.sum(1, keepdims=True)


def resampled(picture, box, width, height):
    """The crop (height, width, 3)."""
    left, top, wide, tall = box
    rows, columns = taps(top, tall, height, picture.shape[0]), taps(left, wide, width, picture.shape[1])
    return np.einsum("yr,rxc->yxc", rows, np.einsum("xk,rkc->rxc", columns, picture))


class Network:
    """An ONNX file with its manifest."""

    def __init__(self, manifest, onnx=None):
        import onnxruntime
        self.manifest = tomllib.load(open(manifest, "rb"))
        options = onnxruntime.SessionOptions()
        options.log_severity_level = 3
        options.intra_op_num_threads = 2
        path = onnx or Path(manifest).parent / self.manifest["file"]
        self.session = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
        names, mapped = self.manifest["keypoints"]["names"], self.manifest["keypoints"].get("map")
        self.joints = [mapped.get(name) for name in names] if mapped else names
        self.name = str(onnx or manifest)

    def crop(self, picture, labels):
        """The network's crop round a labelled person and its region."""
        given = self.manifest["input"]
        box = region(labels, given["width_px"], given["height_px"], given.get("person_share", 0.8))
        return resampled(picture, box, given["width_px"], given["height_px"]), box

    def read(self, crop, box):
        """{joint: (x, y in picture pixels, sd px or None)}; joints under the manifest's least peak are missing."""
        given, out, decoding = self.manifest["input"], self.manifest["output"], self.manifest["decoding"]
        blob = ((crop - np.float32(given["mean"])) * np.float32(given["scale"])).transpose(2, 0, 1)[None].astype("f4")
        wanted = [out[key] for key in ("heatmap", "log_sigma", "visible", "offset", "center", "regress") if key in out]
        found = dict(zip(wanted, self.session.run(wanted, {given["name"]: blob})))
        maps = found[out["heatmap"]][0]
        if decoding["kind"] == "heatmap-centre-offset":
            expected = centre_expectation(found[out["center"]][0, 0], found[out["regress"]][0])
        read = {}
        for k, joint in enumerate(self.joints):
            if joint is None:
                continue
            if decoding["kind"] == "heatmap-centre-offset":
                row, column = highest_near(maps[k], *expected[k])
            else:
                row, column = np.unravel_index(maps[k].argmax(), maps[k].shape)
            if 1 / (1 + np.exp(-maps[k, row, column])) < decoding.get("least_peak", 0):
                continue
            y, x = place(decoding, maps[k], row, column, found[out["offset"]][0, 2 * k:2 * k + 2] if "offset" in out else None)
            stride = decoding["stride_px"]
            offset = decoding.get("cell_offset_px", (stride - 1) / 2)
            scale = box[2] / given["width_px"]
            sd = decoding.get("fixed_sigma_px")
            if "log_sigma" in out:
                sd = float(np.exp(found[out["log_sigma"]][0, k]))
            sd = None if sd is None else sd * decoding.get("sigma_factor", 1.0) * scale
            read[joint] = (box[0] + (x * stride + offset + 0.5) * scale - 0.5, box[1] + (y * stride + offset + 0.5) * scale - 0.5, sd)
        return read


def highest_near(logits, row, column):
    """The cell whose probability divided by its distance from the expected cell is highest."""
    rows, columns = np.indices(logits.shape)
    weighted = 1 / (1 + np.exp(-logits.astype("f8"))) / (np.hypot(columns - column, rows - row) + NEARNESS_CELLS)
    return np.unravel_index(weighted.argmax(), logits.shape)


def centre_expectation(centre, regress):
    """Where the person in the middle of the crop should have each keypoint: (row, column), cells."""
    row, column = highest_near(centre, centre.shape[0] // 2, centre.shape[1] // 2)
    return [(row + regress[2 * k, row, column], column + regress[2 * k + 1, row, column]) for k in range(len(regress) // 2)]


def place(decoding, logits, row, column, offsets):
    """Row and column, fractions of cells, of one keypoint, by the manifest's kind."""
    if decoding["kind"] in ("heatmap-centre-offset", "heatmap-argmax-offset"):
        return row + offsets[0][row, column] - 0.5, column + offsets[1][row, column] - 0.5
    if decoding["kind"] == "heatmap-argmax":
        return float(row), float(column)
    reach = decoding.get("window_cells", 5) // 2
    rows = np.arange(max(0, row - reach), min(logits.shape[0], row + reach + 1))
    columns = np.arange(max(0, column - reach), min(logits.shape[1], column + reach + 1))
    weight = np.exp(logits[np.ix_(rows, columns)].astype("f8") - float(logits[row, column]))
    weight /= weight.sum()
    return weight.sum(1) @ rows, weight.sum(0) @ columns


def is_foot(joint):
    """Whether a joint is one of the three points of a foot."""
    return joint.split("_", 1)[-1] in FEET


def rows_of(person, found, truth_pass=1):
    """One row for every visible label: joint, error in trunk lengths (None: missing), error over sd."""
    labels = person["passes"][truth_pass]
    trunk = trunk_px(labels)
    rows = []
    for joint, (x, y, visibility) in labels.items():
        if visibility == "visible":
            at = found.get(joint)
            error = None if at is None else float(np.hypot(at[0] - x, at[1] - y))
            rows.append((joint, None if error is None else error / trunk, None if error is None or not at[2] else error / at[2]))
    return rows


def sides_of(person, found):
    """For each pair of limb joints that tells the sides apart: whether the answer fits better than with sides exchanged."""
    labels, answers = person["passes"][1], []
    for joint in SIDED:
        pair = [f"left_{joint}", f"right_{joint}"]
        if any(name not in labels or labels[name][2] != "visible" or name not in found for name in pair):
            continue
        true, seen = (np.array([source[name][:2] for name in pair]) for source in (labels, found))
        if np.linalg.norm(true[0] - true[1]) < LEAST_APART * trunk_px(labels):
            continue
        apart = lambda order: np.linalg.norm(seen[order] - true, axis=1).sum()
        answers.append(bool(apart([0, 1]) <= apart([1, 0])))
    return answers


def share(values, limit):
    """Share below a limit; a missing answer is a wrong one."""
    return sum(value is not None and value < limit for value in values) / len(values) if values else float("nan")


def line(name, rows, sides):
    """One line of figures."""
    errors = [error for _, error, _ in rows]
    answered = [error for error in errors if error is not None]
    ratios = np.array([ratio for *_, ratio in rows if ratio is not None])
    text = (f"{name:34} {len(errors):5} visible   20 % {share(errors, 0.2):.3f}   10 % {share(errors, 0.1):.3f}   "
            f"5 % {share(errors, 0.05):.3f}   median {np.median(answered) if answered else float('nan'):.3f}")
    if sides:
        text += f"   sides {np.mean(sides):.3f} of {len(sides)}"
    if len(ratios):
        text += f"   in 50/90 % {np.mean(ratios < GAUSSIAN_50):.2f} {np.mean(ratios < GAUSSIAN_90):.2f}   > 4 sd {np.mean(ratios > 4):.3f}"
    return text


def report(name, persons, answers, per_joint):
    """Prints the figures of one network."""
    print(name)
    for half in sorted({person["half"] for person in persons}) + ["all"]:
        rows, sides = [], []
        for person, found in zip(persons, answers):
            if half in ("all", person["half"]):
                rows += rows_of(person, found)
                sides += sides_of(person, found)
        published = [row for row in rows if not is_foot(row[0])]
        limbs = [row for row in published if row[0].split("_", 1)[-1] in SIDED]
        feet = [row for row in rows if is_foot(row[0])]
        print(line(f"  half {half}, 17 points", published, sides) + f"   ({len(persons)} people)" * (half == "all"))
        print(line(f"  half {half}, 12 limb joints", limbs, None))
        print(line(f"  half {half}, feet", feet, None))
    if per_joint:
        for joint in dict.fromkeys(row[0].split("_", 1)[-1] for row in rows):
            print(line(f"    {joint}", [row for row in rows if row[0].split("_", 1)[-1] == joint], None))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("manifests", nargs="*")
    parser.add_argument("--onnx")
    parser.add_argument("--half", choices=["A", "B"])
    parser.add_argument("--per-joint", action="store_true")
    parser.add_argument("--second-pass", action="store_true")
    parser.add_argument("--crops", help="write the last network's crops, regions and answers, for drawing or comparing")
    options = parser.parse_args()
    persons = [person for person in people() if options.half in (None, person["half"])]
    if options.second_pass:
        twice = [person for person in persons if 2 in person["passes"]]
        report("second pass against the first", twice, [{joint: (x, y, None) for joint, (x, y, _) in person["passes"][2].items()} for person in twice], True)
    if not options.manifests:
        return
    shown = pictures(persons)
    for k, manifest in enumerate(options.manifests):
        network = Network(manifest, options.onnx if k == 0 else None)
        crops = [network.crop(shown[person["source"], person["frame"]], person["passes"][1]) for person in persons]
        answers = [network.read(*crop) for crop in crops]
        report(network.name, persons, answers, options.per_joint)
    if options.crops:
        np.savez_compressed(options.crops, crops=np.stack([crop for crop, _ in crops]).round().astype("u1"), regions=[box for _, box in crops],
                            numbers=[person["number"] for person in persons],
                            answers=[[answer.get(joint, (np.nan, np.nan, None))[:2] for joint in network.joints if joint] for answer in answers])


if __name__ == "__main__":
    main()
