"""From checkpoints to the weights that ship: ONNX, batch norm fused, beside a description.

    python -m extractor.reading.training.export CHECKPOINTS extractor/reading/weights

The description's calibration is what ``calibrate`` measures; a new export begins with none.
"""

from __future__ import annotations

import hashlib
import json
import sys
import warnings
from pathlib import Path
from typing import Any

import torch

from extractor.reading.training.charset import CLASSES
from extractor.reading.training.net import PLANS, Net

_OPSET = 17  # read by OpenCV's DNN module and by ONNX Runtime


def export(name: str, checkpoints: Path, out: Path) -> dict[str, Any]:
    """Write one net as ONNX with free width and batch; give its description."""
    plan = PLANS[name]
    saved = torch.load(checkpoints / f"{name}.pt", map_location="cpu", weights_only=True)
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
    return {
        "height": plan.height,
        "weights": sum(p.numel() for p in net.parameters()),
        "minutes": round(saved["minutes"], 2),
        "steps": saved["step"],
        "sha256": hashlib.sha256(file.read_bytes()).hexdigest(),
        "temperature": 1.0,
    }


def main() -> None:
    """Export both nets from the folder that the first argument names into that of the second."""
    checkpoints, out = Path(sys.argv[1]), Path(sys.argv[2])
    nets = {name: export(name, checkpoints, out) for name in PLANS}
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
