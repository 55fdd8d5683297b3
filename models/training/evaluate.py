"""Measure a network on held-out renders, and draw labels on crops.

Usage: evaluate.py --body body.npz --backgrounds bg.npz [--weights W.pt --start start.pt] [--onnx MODEL.onnx ...]
       [--crops 1024] [--calibration OUT.npz] [--mound]
`--calibration` also writes rendered training crops for the int8 calibration of export.py.
"""

import argparse
import json

import cv2
import numpy as np
import torch

import degrade
from body import JOINTS, KEYPOINT_INDEX, KEYPOINTS
from network import HEIGHT, MEAN, SCALE, decode, normalised, read_under

LARGE_SCALE = 384 / HEIGHT  # the published thresholds are stated for a crop of 288 x 384
LARGE_THRESHOLD_PX = 10
BONES = """head_top-nose nose-left_eye nose-right_eye left_eye-left_ear right_eye-right_ear nose-neck neck-left_shoulder neck-right_shoulder
left_shoulder-left_elbow right_shoulder-right_elbow left_elbow-left_wrist right_elbow-right_wrist left_wrist-left_knuckle right_wrist-right_knuckle
neck-left_hip neck-right_hip left_hip-left_knee right_hip-right_knee left_knee-left_ankle right_knee-right_ankle left_ankle-left_heel
right_ankle-right_heel left_heel-left_big_toe right_heel-right_big_toe left_ankle-left_small_toe right_ankle-right_small_toe""".split()


def torch_predictor(network):
    """Images 0..1 -> positions (px), log sigma, visibility logit."""
    def predict(images):
        heatmap, sigma, visible, _ = network(normalised(images))
        return decode(heatmap), *read_under(heatmap, sigma, visible)
    return predict


def onnx_predictor(path, threads=2):
    """The same with an exported model."""
    import onnxruntime
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    session = onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])

    def predict(images):
        blob = ((images * 255 - MEAN) * SCALE).numpy().astype("f4")
        heatmap, log_sigma, visible = (torch.from_numpy(value) for value in session.run(None, {"image": blob}))
        return decode(heatmap), log_sigma, visible
    return predict


@torch.no_grad()
def collect(predictors, pool, count, batch=128):
    """Predictions of each predictor on the same crops: list of (positions, log sigma, visibility), and the labels."""
    rows, labels = [[] for _ in predictors], []
    for _ in range(count // batch):
        crops = pool.batch(batch)
        images = degrade.recorded(crops, pool.renderer.mound)
        for row, predict in zip(rows, predictors):
            row.append([value.float().cpu() for value in predict(images)])
        labels.append([value.cpu() for value in (crops.keypoints, crops.visible, crops.inside)])
    join = lambda parts: [torch.cat(values) for values in zip(*parts)]
    return [join(row) for row in rows], join(labels)


def figures(prediction, labels):
    """Accuracy and calibration; errors are Euclidean pixels of the crop, over joints inside the picture. The points taught
    beside the joints count in `per_joint` alone."""
    error = (prediction[0] - labels[0]).norm(dim=-1)
    per_joint = {name: [round(error[:, k][labels[1][:, k]].median().item(), 2), round(within_joint(error[:, k], labels[1][:, k]), 3)] for k, name in enumerate(KEYPOINTS)}
    (_, log_sigma, visible_logit), (_, visible, inside) = ([values[:, :len(JOINTS)] for values in side] for side in (prediction, labels))
    error = error[:, :len(JOINTS)]
    hidden = inside & ~visible
    within = lambda mask: (error[mask] < LARGE_THRESHOLD_PX / LARGE_SCALE).float().mean().item()
    standard = 0.5 * (error * torch.exp(-log_sigma)) ** 2  # 1 on average if the errors were Gaussian and sigma right
    factor = (standard[inside].median() / np.log(2)).sqrt().item()
    scaled = standard[inside] / factor ** 2
    return dict(
        crops=len(visible), median_px=error[visible].median().item(), mean_px=error[visible].mean().item(), within=within(visible),
        median_hidden_px=error[hidden].median().item(), within_hidden=within(hidden), within_all=within(inside),
        sigma_factor=factor, inside_50=(scaled < np.log(2)).float().mean().item(), inside_90=(scaled < np.log(10)).float().mean().item(),
        beyond_4_sd=(scaled > 8).float().mean().item(), variance=standard[inside].mean().item(),
        visible_right=((visible_logit > 0) == visible)[inside].float().mean().item(), per_joint=per_joint)


def within_joint(error, mask):
    """Share of one joint's errors under the published threshold."""
    return (error[mask] < LARGE_THRESHOLD_PX / LARGE_SCALE).float().mean().item()


def measure(network, pool, count):
    """Figures of a PyTorch network on `count` crops of a pool."""
    predictions, labels = collect([torch_predictor(network)], pool, count)
    return figures(predictions[0], labels)


def summary(result):
    """One line of the main figures."""
    names = ("median_px", "within", "median_hidden_px", "within_hidden", "sigma_factor", "inside_90", "beyond_4_sd", "visible_right")
    return {name: round(result[name], 3) for name in names}


def drawn(image, keypoints, strong=None, zoom=2):
    """A crop (3, H, W, 0..1) as a picture with the skeleton: left blue, right yellow; weak points red."""
    picture = (image.permute(1, 2, 0).cpu().numpy()[..., ::-1] * 255).astype("u1")
    picture = cv2.resize(picture, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_LINEAR)
    at = lambda k: tuple(int(round((value + 0.5) * zoom)) for value in keypoints[k].tolist())
    for bone in BONES:
        start, end = bone.split("-")
        colour = (255, 128, 0) if "left" in bone else (0, 255, 255) if "right" in bone else (255, 255, 255)
        cv2.line(picture, at(KEYPOINT_INDEX[start]), at(KEYPOINT_INDEX[end]), colour, 1, cv2.LINE_AA)
    for k in range(len(KEYPOINTS)):
        cv2.circle(picture, at(k), 2, (0, 255, 0) if strong is None or strong[k] else (0, 0, 255), -1, cv2.LINE_AA)
    return picture


def tiled(pictures, columns):
    """Equal pictures side by side, rows one under another."""
    full = len(pictures) // columns * columns
    return np.concatenate([np.concatenate(pictures[row:row + columns], 1) for row in range(0, full, columns)], 0)


def contact_sheet(images, crops, path, columns=12):
    """Finished crops with their labels drawn."""
    cv2.imwrite(path, tiled([drawn(images[k], crops.keypoints[k], crops.visible[k], zoom=1) for k in range(len(images))], columns))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--body", required=True)
    parser.add_argument("--backgrounds", required=True)
    parser.add_argument("--start")
    parser.add_argument("--weights")
    parser.add_argument("--onnx", nargs="*", default=[])
    parser.add_argument("--crops", type=int, default=1024)
    parser.add_argument("--calibration")
    parser.add_argument("--mound", action="store_true", help="pitchers alone, mildly damaged")
    options = parser.parse_args()
    from compose import LayerPool
    from export import load_network
    from render import Renderer
    torch.manual_seed(7)
    np.random.seed(7)
    pictures = np.load(options.backgrounds)["pictures"]
    if options.calibration:
        pool = LayerPool(Renderer(options.body, pictures, mound=options.mound), 192)
        for _ in range(6):
            pool.add(32)
        images = degrade.recorded(pool.batch(256), options.mound)
        np.savez_compressed(options.calibration, images=(images * 255).round().byte().permute(0, 2, 3, 1).cpu().numpy())
    names = ([options.weights] if options.weights else []) + options.onnx
    if not names:
        return
    predictors = [torch_predictor(load_network(options.start, options.weights))] if options.weights else []
    predictors += [onnx_predictor(path) for path in options.onnx]
    pool = LayerPool(Renderer(options.body, pictures, held_out=True, mound=options.mound), max(32, options.crops // 2))
    for _ in range(max(1, options.crops // 64)):
        pool.add(32)
    predictions, labels = collect(predictors, pool, options.crops)
    for name, prediction in zip(names, predictions):
        print(name, json.dumps(figures(prediction, labels)))
    for name, prediction in zip(names[1:], predictions[1:]):
        apart = (prediction[0] - predictions[0][0]).norm(dim=-1)[labels[2]]
        quantiles = [round(apart.quantile(q).item(), 3) for q in (0.5, 0.9, 0.99)]
        print(f"{name} against {names[0]}: 50/90/99 % of the positions within {quantiles} px")


if __name__ == "__main__":
    main()
