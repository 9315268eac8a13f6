"""A fitted model to and from bytes, without pickle: a zip of plain arrays and one JSON text.

The file proves itself on loading: format number, a digest over everything in it, shapes that fit each other, finite numbers.
It holds no player: coefficients, components, the copies' posterior and counts, nothing else.
"""

import hashlib
import io
import json
import struct
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from model.choice import TERMS, ChoicePrior, ExclusionReason, PurchaseModel
from model.domain.records import Event, Range, Trial
from model.domain.vocabulary import CRITERIA
from model.features import (
    FIXED,
    PLAYER_COLUMNS,
    POSITION_OF,
    TRAIT_COLUMNS,
    Design,
    ProfileWeight,
    ServiceIntervals,
    bench_traits,
)
from model.preference import stored_blocks
from model.preference.fitted import Correlations, FittedModel, PlayerDistribution
from model.preference.stored_blocks import STORED

FORMAT = 6
CRITERION_OF_FIT = ("reml", "degrees", "players_share", "players_squares")
"""Arrays that format 3 had besides: the criterion that the fit reached, read by nothing."""
READABLE = (3, 4, 5, FORMAT)
"""Formats 3 and 4 do not say of which columns they are: a trait declared since then has no coefficient in them. Format 5 and those
before have every block written out, in 64 bits a number."""
BEFORE_COLUMNS = tuple(
    column.name
    for place, column in enumerate(FIXED)
    if place not in TRAIT_COLUMNS or column.name in bench_traits.BEFORE
)
SHAPES: dict[str, str] = {
    "coef": "Cp",
    "coef_root": "Cpp",
    "player_sd": "C",
    "copy_sd": "C",
    "match_sd": "C",
    "repeat_sd": "C",
    "effect": "CK",
    "coupling": "CKp",
    "rows": "C",
    "player_root": "CQQ",
    "own_shift": "C",
    "own_match": "C",
    "correlation_coefficients": "CC",
    "correlation_prior_coefficients": "CC",
    "correlation_player": "CC",
    "correlation_tastes": "CC",
    "correlation_copy": "CC",
    "correlation_match": "CC",
    "correlation_repeat": "CC",
}
"""The axes of each array: C criteria, p columns of the design, K levels, Q columns of a player's own."""
PLAYERS = {"player_root": "root", "own_shift": "own_shift", "own_match": "own_match"}
CORRELATIONS = {
    f"correlation_{part}": part
    for part in ("coefficients", "prior_coefficients", "player", "tastes", "copy", "match", "repeat")
}
ARRAYS = tuple(name for name in SHAPES if name not in {**PLAYERS, **CORRELATIONS})
UNREADABLE = (
    OSError,
    ValueError,
    KeyError,
    EOFError,
    NotImplementedError,
    RuntimeError,
    struct.error,
    zipfile.BadZipFile,
    zlib.error,
)
"""What reading a damaged zip of arrays may raise."""


class ArtifactError(ValueError):
    """A file that is not a whole fitted model of a format this version reads; its text says what is wrong."""


def to_bytes(posterior: FittedModel) -> bytes:
    """Return the model as the bytes of one file.

    Raises
    ------
    ValueError
        A model with coefficients of tiers that came after its fit, which are believed, not fitted.
    """
    arrays = _arrays(posterior)
    facts = {
        "format": FORMAT,
        "design": posterior.design.to_json(),
        "levels": [[copy, stretch] for copy, stretch in posterior.levels],
        "trials": [[instrument, hold, count] for (instrument, hold), count in posterior.trials.items()],
        "keeping": _keeping_facts(posterior.keeping),
        "profile": [posterior.profile.mean, posterior.profile.sd],
    }
    text = json.dumps({"digest": _digest(facts, arrays), **facts})
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, text=np.frombuffer(text.encode(), dtype=np.uint8), **arrays)
    return out.getvalue()


def stored_size(range_: Range, trials: Iterable[Trial], events: Iterable[Event]) -> int:
    """Return about how many bytes a model fitted to these trials will take, told from counts before anything is fitted."""
    stretches = ServiceIntervals.from_events(events)
    of = [
        (trial.player, stretches.level(run.copy, trial.on), run) for trial in trials for run in trial.runs if run.copy
    ]
    player = {name: at for at, name in enumerate(dict.fromkeys(name for name, _, _ in of))}
    level = {name: at for at, name in enumerate(dict.fromkeys(name for _, name, _ in of))}
    who, what = [player[name] for name, _, _ in of], [level[name] for _, name, _ in of]
    tried = sparse.csr_array((np.ones(len(of)), (who, what)), shape=(len(player), len(level)))
    criteria = np.zeros((len(level), len(CRITERIA)), dtype=bool)
    for at, (_, _, run) in zip(what, of, strict=True):
        criteria[at] |= [criterion in run.ratings for criterion in CRITERIA]
    p = len(FIXED) + len(range_.tiers)
    of_columns = 8 * len(CRITERIA) * p**2 + stored_blocks.BYTES_A_NUMBER * p * int(criteria.sum())
    return of_columns + stored_blocks.size_of((tried.T @ tried).tocsr(), criteria)


def _arrays(posterior: FittedModel) -> dict[str, NDArray[Any]]:
    arrays: dict[str, NDArray[Any]] = {name: getattr(posterior, name) for name in ARRAYS}
    if posterior.design.late:
        msg = f"tiers that came after the fit: got {posterior.design.late}, expected none, as the model was fitted"
        raise ValueError(msg)
    parts = ((PLAYERS, posterior.players), (CORRELATIONS, posterior.correlations))
    arrays |= {name: getattr(part, of) for names, part in parts for name, of in names.items()}
    return arrays | {"coupling": posterior.coupling.astype(STORED)} | stored_blocks.arrays_of(posterior.blocks)


def _keeping_facts(keeping: PurchaseModel) -> dict[str, Any]:
    return {
        "prior": [np.asarray(keeping.prior.mean).tolist(), np.asarray(keeping.prior.sd).tolist()],
        "coef": keeping.coef.tolist(),
        "covariance": keeping.covariance.tolist(),
        "outcomes": keeping.outcomes,
        "choices": keeping.choices,
        "left_out": {why.name: count for why, count in keeping.left_out.items()},
        "loglik": keeping.loglik,
    }


def _keeping(facts: dict[str, Any]) -> PurchaseModel:
    coef, covariance = np.array(facts["coef"], dtype=np.float64), np.array(facts["covariance"], dtype=np.float64)
    terms = len(TERMS)
    if coef.shape != (terms,) or covariance.shape != (terms, terms):
        msg = f"got {coef.shape} and {covariance.shape} for what people keep, expected {terms} terms"
        raise ValueError(msg)
    return PurchaseModel(
        prior=ChoicePrior(*facts["prior"]),
        coef=coef,
        covariance=covariance,
        outcomes=int(facts["outcomes"]),
        choices=int(facts["choices"]),
        left_out={ExclusionReason[name]: int(count) for name, count in facts["left_out"].items()},
        loglik=float(facts["loglik"]),
    )


def _digest(facts: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> str:
    found = hashlib.sha256(json.dumps(facts, sort_keys=True).encode())
    for name in sorted(arrays):
        array = np.ascontiguousarray(arrays[name])
        found.update(f"{name} {array.dtype.str} {array.shape}".encode())
        found.update(array.tobytes())
    return found.hexdigest()


def from_bytes(data: bytes) -> FittedModel:
    """Read what `to_bytes` wrote.

    Raises
    ------
    ArtifactError
        A file that is damaged, cut short, of a newer format, or not a fitted model at all.
    """
    text, arrays = _unpack(data)
    if text.get("format") not in READABLE:
        msg = (
            f"got a fitted model of format {text.get('format')!r}, expected format {FORMAT}: fit anew with this version"
        )
        raise ArtifactError(msg)
    if text.pop("digest", None) != _digest(text, arrays):
        msg = "the fitted model is damaged: its parts do not match their own digest; fit anew or restore a back-up"
        raise ArtifactError(msg)
    kept = {name: array for name, array in arrays.items() if name not in CRITERION_OF_FIT}
    try:
        return _assemble(text, kept)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        msg = f"the fitted model's parts do not fit each other ({error}); fit anew"
        raise ArtifactError(msg) from error


def _unpack(data: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            arrays = {name.removesuffix(".npy"): _array(file, name) for name in file.namelist()}
        text = json.loads(bytes(arrays.pop("text")).decode())
    except UNREADABLE as error:
        msg = "this is not a whole fitted model: the file is damaged or was cut short; fit anew or restore a back-up"
        raise ArtifactError(msg) from error
    if not isinstance(text, dict):
        msg = "this is not a fitted model: its description is missing; fit anew"
        raise ArtifactError(msg)
    return text, arrays


def _array(file: zipfile.ZipFile, name: str) -> NDArray[Any]:
    array = np.load(io.BytesIO(file.read(name)), allow_pickle=False)
    return np.asarray(array)


def _assemble(text: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> FittedModel:
    design = Design.from_json(text["design"])
    levels = tuple((str(copy), int(stretch)) for copy, stretch in text["levels"])
    arrays = _by_column(arrays, text["design"].get("columns", BEFORE_COLUMNS), len(design.tiers))
    _check_arrays(arrays, len(design.columns), len(levels))
    arrays["coupling"] = arrays["coupling"].astype(np.float64)
    return FittedModel(
        design=design,
        players=PlayerDistribution(**{of: arrays[name] for name, of in PLAYERS.items()}),
        correlations=Correlations(**{of: arrays[name] for name, of in CORRELATIONS.items()}),
        levels=levels,
        blocks=stored_blocks.blocks_of(arrays, len(levels)),
        trials={(str(instrument), str(hold)): int(count) for instrument, hold, count in text["trials"]},
        keeping=_keeping(text["keeping"]),
        profile=_profile(text["profile"]),
        **{name: arrays[name] for name in ARRAYS},
    )


def _by_column(arrays: dict[str, NDArray[Any]], columns: Sequence[str], tiers: int) -> dict[str, NDArray[Any]]:
    """Return the arrays with their columns where they stand now, 0 of those that are more."""
    fixed, before = len(FIXED), len(columns) + tiers
    at = np.array([POSITION_OF[name] for name in columns] + list(range(fixed, fixed + tiers)), dtype=np.intp)
    out = dict(arrays)
    if tuple(columns) == tuple(column.name for column in FIXED):
        return out
    for name, axes in SHAPES.items():
        for axis, of in enumerate(axes):
            if of == "p" and out[name].ndim > axis and out[name].shape[axis] == before:
                moved = np.moveaxis(out[name], axis, 0)
                wider = np.zeros((fixed + tiers, *moved.shape[1:]), dtype=moved.dtype)
                wider[at] = moved
                out[name] = np.ascontiguousarray(np.moveaxis(wider, 0, axis))
    return out


def _profile(facts: list[float]) -> ProfileWeight:
    mean, sd = (float(value) for value in facts)
    if not (np.isfinite(mean) and np.isfinite(sd) and sd >= 0):
        msg = f"got {facts} for how far priorities count, expected a mean and a deviation of 0 or more"
        raise ValueError(msg)
    return ProfileWeight(mean, sd)


def _check_arrays(arrays: dict[str, NDArray[Any]], p: int, K: int) -> None:
    """Refuse arrays of a wrong shape or with numbers that are not finite."""
    C = len(CRITERIA)
    for name, axes in SHAPES.items():
        expected = tuple({"C": C, "p": p, "K": K, "Q": len(PLAYER_COLUMNS)}[axis] for axis in axes)
        if arrays[name].shape != expected:
            msg = f"{name}: got shape {arrays[name].shape}, expected {expected}"
            raise ValueError(msg)
    for name, array in arrays.items():
        if not np.isfinite(array).all():
            msg = f"{name}: got numbers that are not finite, expected none"
            raise ValueError(msg)
    for name in (name for name in SHAPES if name.endswith("_sd")):
        if (arrays[name] < 0).any():
            msg = f"{name}: got {arrays[name].min()}, expected standard deviations of 0 or more"
            raise ValueError(msg)
