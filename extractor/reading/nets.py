"""The nets, own and rapidocr's: where they lie, what names them, how they are opened.

Imports nothing heavy: the identity of the readers is asked for on every run, also where all is
cached.
"""

from __future__ import annotations

import hashlib
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

from extractor.errors import CallError

OWN = Path(__file__).parent / "weights"
"""Where the own reader's nets lie, and ``reader.json``, which describes them."""


def net_file(task: Literal["rec", "det"]) -> Path:
    """Find the recogniser (``rec``) or the detector (``det``) inside the installed rapidocr.

    Raises
    ------
    CallError
        rapidocr or its net is not installed.
    """
    spec = find_spec("rapidocr")
    folders = spec.submodule_search_locations if spec else None
    found = sorted(Path(folders[0], "models").glob(f"*_{task}_*.onnx")) if folders else []
    if not found:
        raise CallError(
            f"the {task} net of the package rapidocr is missing; "
            "mend: pip install --force-reinstall rapidocr"
        )
    return found[-1]


def net_identity(task: Literal["rec", "det"]) -> str:
    """Name a net by the hash of its weights and by the libraries that compute it."""
    path = net_file(task)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    return (
        f"{path.stem}={digest} onnxruntime={version('onnxruntime')} "
        f"opencv={version('opencv-python-headless')}"
    )


def own_identity() -> str:
    """Name the own reader's nets by the hash of what describes them: weights and calibration."""
    digest = hashlib.sha256((OWN / "reader.json").read_bytes()).hexdigest()[:16]
    return f"own={digest}"


def open_net(file: Path) -> Any:
    """Open a net in ONNX Runtime on one thread."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.enable_mem_pattern = False  # a plan is kept per width, and they would pile up
    options.enable_cpu_mem_arena = False  # it would keep the most that any picture ever took
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(str(file), options, providers=["CPUExecutionProvider"])
