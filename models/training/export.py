"""Write the trained network as ONNX, fp32 and int8 (QDQ, static, per channel).

Usage: export.py START.pt WEIGHTS.pt CROPS.npz OUT_DIR
START.pt: starting_network.py's output (the graph's shape). WEIGHTS.pt: train.py's. CROPS.npz: `images` (n, 288, 288, 3)
uint8 RGB rendered crops, the calibration set (evaluate.py and train.py write such a file). Writes athlete-fp32.onnx and
athlete.onnx.
"""

import sys

import numpy as np
import onnx
import torch
from onnxruntime.quantization import CalibrationDataReader, CalibrationMethod, QuantFormat, QuantType, quantize_static

from body import KEYPOINTS
from network import HEIGHT, MEAN, SCALE, WIDTH, Exported, KeypointNetwork

OPSET = 17
CALIBRATION_CROPS = 192
QUANTISED = ["Conv", "Add", "Concat", "Resize", "Relu", "Clip"]  # with the rectifiers, so that they fuse into the convolutions
FLOAT_LAYERS = ["Conv1_relu", "__expanded_conv", "/network/heatmap", "/network/sigma", "/network/visible"]  # parts of node names
INPUT, OUTPUTS = "image", ["heatmap", "log_sigma_px", "visible_logit"]


def fold_padding(path):
    """Move the padding below and right that precedes each convolution of stride 2 into the convolution.

    Then it runs as one quantised node. The network has no other padding nodes (starting_network.py).
    """
    model = onnx.load(path)
    graph = model.graph
    pads = {node.output[0]: node for node in graph.node if node.op_type == "Pad"}
    for node in graph.node:
        if node.op_type == "Conv" and node.input[0] in pads:
            next(field for field in node.attribute if field.name == "pads").ints[:] = [0, 0, 1, 1]
            node.input[0] = pads[node.input[0]].input[0]
    while True:  # what only fed the padding nodes goes with them
        used = {name for node in graph.node for name in node.input} | {output.name for output in graph.output}
        dead = [node for node in graph.node if not used.intersection(node.output)]
        if not dead:
            break
        for node in dead:
            graph.node.remove(node)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def drop_unused(path):
    """Remove constants that no node reads, so that loading the model warns of nothing."""
    model = onnx.load(path)
    used = {name for node in model.graph.node for name in node.input}
    for tensor in [tensor for tensor in model.graph.initializer if tensor.name not in used]:
        model.graph.initializer.remove(tensor)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def export_float(network, path):
    """The fp32 graph with a free batch size."""
    example = torch.zeros(2, 3, HEIGHT, WIDTH)
    axes = {name: {0: "n"} for name in [INPUT, *OUTPUTS]}
    torch.onnx.export(Exported(network).eval(), example, path, input_names=[INPUT], output_names=OUTPUTS,
                      dynamic_axes=axes, opset_version=OPSET)
    fold_padding(path)


class Crops(CalibrationDataReader):
    """Feeds rendered crops to the calibration, eight at a time."""

    def __init__(self, images):
        self.batches = iter([images[at:at + 8] for at in range(0, len(images), 8)])

    def get_next(self):
        batch = next(self.batches, None)
        return None if batch is None else {INPUT: network_input(batch)}


def network_input(images):
    """uint8 crops (n, 288, 288, 3) as the network's input."""
    return ((images.transpose(0, 3, 1, 2).astype("f4") - MEAN) * SCALE).astype("f4")


def export_int8(float_path, path, images):
    """Quantise the convolutions and what lies between them.

    The last convolutions, the softmax and the readings under it stay in float, and so do the first four convolutions:
    batch normalisation is folded into them, their channels differ widely in range, and quantising them too nearly
    doubles the distance to the float network.
    """
    convolutions = [node.name for node in onnx.load(float_path).graph.node if node.op_type == "Conv"]
    kept = [name for name in convolutions if any(part in name for part in FLOAT_LAYERS)]
    quantize_static(float_path, path, Crops(images[:CALIBRATION_CROPS]), quant_format=QuantFormat.QDQ, per_channel=True,
                    op_types_to_quantize=QUANTISED, nodes_to_exclude=kept, weight_type=QuantType.QInt8,
                    activation_type=QuantType.QUInt8, calibrate_method=CalibrationMethod.MinMax)
    drop_unused(path)


def load_network(start, weights=None):
    """The network with the starting backbone, or with trained weights."""
    first = torch.load(start, map_location="cpu")
    network = KeypointNetwork(first["nodes"], len(KEYPOINTS))
    network.backbone.load({name: value.float() for name, value in first["weights"].items()})
    if weights:
        saved = torch.load(weights, map_location="cpu")
        network.load_state_dict({name: v.float() if v.is_floating_point() else v for name, v in saved.items()})
    return network.eval()


if __name__ == "__main__":
    start_path, weights_path, crops_path, folder = sys.argv[1:5]
    export_float(load_network(start_path, weights_path), f"{folder}/athlete-fp32.onnx")
    export_int8(f"{folder}/athlete-fp32.onnx", f"{folder}/athlete.onnx", np.load(crops_path)["images"])
