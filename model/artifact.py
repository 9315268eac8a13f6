"""A fitted model to and from bytes, without pickle: a zip of plain arrays and one JSON text.

The file proves itself on loading: format number, a digest over every array, shapes that fit each other, finite numbers.
It holds no player: coefficients, components, the copies' posterior and counts, nothing else.
"""

import hashlib
import io
import json
import zipfile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from model.design import Design
from model.posterior import Block, OwnBowLaw, Posterior

FORMAT = 1
ARRAYS = (
    "coef",
    "coef_root",
    "player_sd",
    "copy_sd",
    "match_sd",
    "repeat_sd",
    "correlation",
    "effect",
    "coupling",
    "rows",
)


class ArtifactError(ValueError):
    """A file that is not a whole fitted model of a format this version reads; its text says what is wrong."""


def to_bytes(posterior: Posterior) -> bytes:
    """Return the model as the bytes of one file."""
    arrays = _arrays(posterior)
    text = json.dumps(
        {
            "format": FORMAT,
            "digest": _digest(arrays),
            "design": posterior.design.to_json(),
            "levels": [[copy, stretch] for copy, stretch in posterior.levels],
            "trials": [[instrument, hold, count] for (instrument, hold), count in posterior.trials.items()],
            "priority_weight": posterior.priority_weight,
        }
    )
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, text=np.frombuffer(text.encode(), dtype=np.uint8), **arrays)
    return out.getvalue()


def _arrays(posterior: Posterior) -> dict[str, NDArray[Any]]:
    arrays: dict[str, NDArray[Any]] = {name: getattr(posterior, name) for name in ARRAYS}
    blocks = posterior.blocks
    no_levels, no_roots = np.zeros(0, dtype=np.intp), np.zeros(0)
    arrays |= {
        "own_shift": posterior.own.shift,
        "own_root": posterior.own.root,
        "block_sizes": np.array([len(block.levels) for block in blocks], dtype=np.int64),
        "block_levels": np.concatenate([block.levels for block in blocks] or [no_levels]).astype(np.int64),
        "block_roots": np.concatenate([block.root.ravel() for block in blocks] or [no_roots]),
    }
    return arrays


def _digest(arrays: dict[str, NDArray[Any]]) -> str:
    found = hashlib.sha256()
    for name in sorted(arrays):
        array = np.ascontiguousarray(arrays[name])
        found.update(f"{name} {array.dtype.str} {array.shape}".encode())
        found.update(array.tobytes())
    return found.hexdigest()


def from_bytes(data: bytes) -> Posterior:
    """Read what `to_bytes` wrote.

    Raises
    ------
    ArtifactError
        A file that is damaged, cut short, of a newer format, or not a fitted model at all.
    """
    text, arrays = _unpack(data)
    if text.get("format") != FORMAT:
        msg = (
            f"got a fitted model of format {text.get('format')!r}, expected format {FORMAT}: fit anew with this version"
        )
        raise ArtifactError(msg)
    if text.get("digest") != _digest(arrays):
        msg = "the fitted model is damaged: its arrays do not match their own digest; fit anew or restore a back-up"
        raise ArtifactError(msg)
    if not all(np.isfinite(array).all() for array in arrays.values()):
        msg = "the fitted model holds numbers that are not finite; fit anew"
        raise ArtifactError(msg)
    try:
        return _assemble(text, arrays)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        msg = f"the fitted model's parts do not fit each other ({error}); fit anew"
        raise ArtifactError(msg) from error


def _unpack(data: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
        text = json.loads(bytes(arrays.pop("text")).decode())
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as error:
        msg = "this is not a whole fitted model: the file is damaged or was cut short; fit anew or restore a back-up"
        raise ArtifactError(msg) from error
    if not isinstance(text, dict):
        msg = "this is not a fitted model: its description is missing; fit anew"
        raise ArtifactError(msg)
    return text, arrays


def _assemble(text: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> Posterior:
    design = Design.from_json(text["design"])
    C, K, p = arrays["coupling"].shape
    if p != len(design.columns) or len(text["levels"]) != K or arrays["effect"].shape != (C, K):
        msg = f"got arrays for {K} levels and {p} columns, expected {len(text['levels'])} and {len(design.columns)}"
        raise ValueError(msg)
    return Posterior(
        design=design,
        own=OwnBowLaw(arrays["own_shift"], arrays["own_root"]),
        levels=tuple((str(copy), int(stretch)) for copy, stretch in text["levels"]),
        blocks=_blocks(arrays, C),
        trials={(instrument, hold): int(count) for instrument, hold, count in text["trials"]},
        priority_weight=float(text["priority_weight"]),
        **{name: arrays[name] for name in ARRAYS},
    )


def _blocks(arrays: dict[str, NDArray[Any]], C: int) -> tuple[Block, ...]:
    sizes = arrays["block_sizes"]
    levels = np.split(arrays["block_levels"].astype(np.intp), np.cumsum(sizes)[:-1]) if len(sizes) else []
    roots = np.split(arrays["block_roots"], np.cumsum(C * sizes**2)[:-1]) if len(sizes) else []
    return tuple(Block(of, root.reshape(C, size, size)) for of, root, size in zip(levels, roots, sizes, strict=True))
