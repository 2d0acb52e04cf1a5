"""From trained weights to the ONNX files the package ships."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper

from legibility.train.loop import build_network

EXAMPLE = {"spotter": (1, 3, 768, 1024), "reader": (1, 3, 48, 384)}
OUTPUTS = {"spotter": ["spots"], "reader": ["columns", "ink"]}
OPSET = 17
"""Choice: read alike by every OpenCV the package supports."""


def export(name: str, weights: Path, target: Path) -> None:
    """Write ``target`` (ONNX) from averaged weights.

    Weights are rounded to half precision (they stay float32 in the file): the rounding changes the
    output by less than its noise and a wheel compresses the file by almost half.
    """
    network = build_network(name)
    network.load_state_dict(torch.load(weights, map_location="cpu", weights_only=True))
    network.eval()
    axes = {0: "batch", 2: "height", 3: "width"} if name == "spotter" else {0: "batch"}
    partial = target.with_name(target.name + ".part")
    with warnings.catch_warnings():
        # The exporter that needs no further package is announced as superseded.
        warnings.simplefilter("ignore")
        torch.onnx.export(
            network,
            torch.zeros(EXAMPLE[name]),
            str(partial),
            opset_version=OPSET,
            input_names=["pixels"],
            output_names=OUTPUTS[name],
            dynamic_axes={"pixels": axes},
            dynamo=False,
        )
    model = onnx.load(str(partial))
    for tensor in model.graph.initializer:
        if tensor.data_type == onnx.TensorProto.FLOAT:
            values = numpy_helper.to_array(tensor).astype(np.float16).astype(np.float32)
            tensor.CopyFrom(numpy_helper.from_array(values, tensor.name))
    onnx.checker.check_model(model)
    onnx.save(model, str(partial))
    partial.replace(target)
