"""From checkpoints to the weights that ship: ONNX, batch norm fused, beside a description.

Kernels are stored as half floats, as checkpoints hold them, and cast when a net is opened.

    python -m extractor.reading.training.export CHECKPOINTS OTHERS extractor/reading/weights

The first two nets are those of one training, the third is the second one of another, ``OTHERS``.
The description's calibration is what ``calibrate`` measures; a new export begins with none.
"""

from __future__ import annotations

import hashlib
import json
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import onnx  # type: ignore[import-not-found, unused-ignore]
import torch
from onnx import (  # type: ignore[import-not-found, unused-ignore]
    TensorProto,
    helper,
    numpy_helper,
)

from extractor.reading.training.charset import CLASSES
from extractor.reading.training.net import PLANS, Net

_OPSET = 17  # read by OpenCV's DNN module and by ONNX Runtime
_KERNEL = 1024  # numbers from which on a constant is a kernel


def export(name: str, checkpoint: Path, out: Path) -> dict[str, Any]:
    """Write one net as ONNX with free width and batch, named ``name``; give its description."""
    plan = PLANS[checkpoint.stem]
    saved = torch.load(checkpoint, map_location="cpu", weights_only=True)
    net = Net(plan)
    net.load_state_dict(saved["mean"])
    net.eval()
    file = out / f"{name}.onnx"
    free = {"line": {0: "lines", 3: "width"}, "scores": {0: "lines", 1: "steps"}}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            net, (torch.zeros(1, 3, plan.height, 96),), str(file), input_names=["line"],
            output_names=["scores"], dynamic_axes=free, opset_version=_OPSET, dynamo=False,
        )  # fmt: skip
    _halve(file)
    return {
        "height": plan.height,
        "weights": sum(p.numel() for p in net.parameters()),
        "minutes": round(saved["minutes"], 2),
        "steps": saved["step"],
        "sha256": hashlib.sha256(file.read_bytes()).hexdigest(),
        "temperature": 1.0,
    }


def _halve(file: Path) -> None:
    """Store the kernels of a net as half floats."""
    model = onnx.load(file)
    graph = model.graph
    casts = []
    for constant in graph.initializer:
        values = numpy_helper.to_array(constant)
        if values.dtype == np.float32 and values.size >= _KERNEL:
            name = constant.name
            half = numpy_helper.from_array(values.astype(np.float16), f"{name}_half")
            constant.CopyFrom(half)
            casts.append(helper.make_node("Cast", [half.name], [name], to=TensorProto.FLOAT))
    nodes = [*casts, *graph.node]
    del graph.node[:]
    graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, file)


def main() -> None:
    """Export the nets from the folders that the first arguments name into that of the last."""
    checkpoints, others, out = (Path(each) for each in sys.argv[1:])
    shipped = {
        "first": checkpoints / "first.pt",
        "second": checkpoints / "second.pt",
        "third": others / "second.pt",
    }
    nets = {name: export(name, checkpoint, out) for name, checkpoint in shipped.items()}
    told = {
        "characters": CLASSES,
        "input": "RGB, (value - 127) / 127, padded with 127 on the right",
        "blank": 0,
        "nets": nets,
    }
    text = json.dumps(told, indent=1, ensure_ascii=False) + "\n"
    (out / "reader.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
