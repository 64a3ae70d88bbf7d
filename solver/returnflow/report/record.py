"""The content of result.json: every record by one serialiser, from a table of what its attributes are called there."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.advice.decision import Decision
from returnflow.advice.findings import Finding
from returnflow.advice.option import Option
from returnflow.advice.study import AS_DRAWN, Study
from returnflow.answers.budget import Budget, Contribution, Radiated
from returnflow.answers.compare import Change, Figure, Row
from returnflow.answers.coupling import Peak
from returnflow.answers.frequency import LoopFacts
from returnflow.answers.result import Placement, Result
from returnflow.answers.supplies import SupplyFacts
from returnflow.answers.sweeps import Swept
from returnflow.answers.verdict import finding
from returnflow.report.kept import LoadError, packed, unpacked
from returnflow.words.answer_text import power_share, region_names, section_names
from returnflow.words.drives import amperes, driven
from returnflow.words.link_rows import LinkFacts, link_facts
from returnflow.words.supply_tables import cause
from returnflow_geometry.model.board import Axis, Link, Loop

Array = NDArray[Any]
Json = dict[str, Any]

FORMAT = 1
RESULT, KEPT = "result.json", "study.npz"
# Attributes of every record in the order they are written; where the key says the unit, it stands behind a colon.
_NOISE = "noise:noise_V low:low_V high:high_V"
KEYS: dict[type, str] = {
    Axis: "label unit values",
    Budget: f"loop {_NOISE} worst_case:worst_case_V worst_high:worst_case_high_V limit:{{limit}} margin_dB verdict",
    Change: "dB percent meaningful",
    Contribution: "loop transfer:transfer_ohm half_width:half_width_ohm current:current_A noise:noise_V "
    "frequency:frequency_Hz in_band out_of_band:out_of_band_V lines counted:lines_in_band",
    Decision: "options recommendation finding rests_on all_limits",
    Figure: "value half",
    Finding: "kind things sentence severity level value unit at:at_m",
    Link: "name between resistance:resistance_ohm inductance:inductance_H capacitance:capacitance_F",
    LinkFacts: "at_rest solved",
    LoopFacts: "turning:turning_Hz ribbon:ribbon_Hz low_inductance:low_inductance_H "
    "high_inductance:high_inductance_H low_length:low_length_m high_length:high_length_m gaps "
    "gap_inductance:gap_inductance_H gap_detour:gap_detour_m",
    Option: f"kind title possible why_not {_NOISE} limit:allowed_V margin_dB meets effort reasons costs broken:exceeds "
    "mended:mends worse:makes_worse tight:leaves_dB variant",
    Placement: "copper area:area_m2 radius:radius_m nearest:nearest_m",
    Radiated: "frequency:frequency_Hz volts:voltage_V free:free_space_V_per_m ground:with_ground_V_per_m "
    "allowed:allowed_V_per_m",
    Row: "kind loop other unit limit figures",
}


def to_dict(study: Study) -> Json:
    """
    Study as the content of result.json: SI units, None where there is not a number.

    Square matrices are in the order of `loops`; lists under shares, sections, links and cables in that of
    `frequencies_Hz`. Keys beside the variants:

    - ``comparison``: ``variants``, and ``rows`` of a ``kind`` with a ``loop``, an ``other`` (region, link, gaps), a
      ``unit`` and a ``limit``; in the order of the variants ``figures`` (``value`` within plus or minus ``half``; null
      where a variant has none) and ``changes`` against the first (``dB``, ``percent``, and ``meaningful``, false where
      the difference is within what both are known to).
    - ``failed``: ``name`` and ``reason`` of variants without an answer.
    - ``findings``: layout findings, the worst first.
    - ``sweeps``: ``axes``, and the figures of every loop at all ``steps``.

    Of every sensitive loop as drawn, and of cables whose limit is not kept, ``options`` are in the order of effort;
    ``chosen`` is the number of the one that is recommended, null where none is; ``all_limits`` is what doing it for
    all limits comes to. Currents in links are from the first to the second terminal per ampere
    of each loop; null where no loop reaches the link.
    """
    decided = {decision.loop: decision for decision in study.decisions}
    return {
        "format": FORMAT,
        "title": study.case.title,
        "versions": plain(study.versions),
        "variants": [
            _variant(result, decided if name == AS_DRAWN else {}) | {"changes": plain(study.changes.get(name, ()))}
            for name, result in study.variants.items()
        ],
        "comparison": {
            "variants": plain(study.comparison.variants),
            "rows": [
                plain(row) | {"other": row.other or None, "changes": plain(map(row.change, range(len(row.figures))))}
                for row in study.comparison.rows
            ],
        },
        "failed": [{"name": name, "reason": reason} for name, reason in study.failed.items()],
        "findings": plain(study.findings),
        "sweeps": [_swept(swept) for swept in study.swept],
    }


def to_json(study: Study) -> str:
    """Content of result.json as text."""
    return json.dumps(to_dict(study), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def numbers(study: Study, *, fields: bool = False) -> dict[Path, bytes]:
    """Content of the two files that hold what a study came to: result.json, and study.npz that reads back."""
    text = to_json(study).encode()
    return {Path(RESULT): text, Path(KEPT): packed(study, sha256(text).hexdigest(), fields=fields)}


def read_back(path: Path) -> Study:
    """
    Study of a result.json (or of the folder it lies in), from study.npz beside it.

    Raises
    ------
    LoadError
        Which file, what is wrong with it, and what to do.
    """
    path = path / RESULT if path.is_dir() else path
    kept = path.with_name(KEPT)
    file = path
    try:
        text = path.read_bytes()
        _check(text)
        file = kept
        study = unpacked(kept.read_bytes(), sha256(text).hexdigest())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        advice = f"give the result.json of a run, with {KEPT} beside it, or run the case again"
        message = f"{file}: cannot be read ({reason}); {advice}"
        raise LoadError(message) from None
    except LoadError as error:
        message = f"{file}: {error}"
        raise LoadError(message) from error.__cause__
    if not isinstance(study, Study):
        message = f"{kept}: holds no study; run the case again"
        raise LoadError(message)
    return study


def _check(text: bytes) -> None:
    try:
        found = json.loads(text)
    except ValueError as error:
        message = f"is damaged ({error}); run the case again"
        raise LoadError(message) from error
    form = found.get("format") if isinstance(found, dict) else None
    if form != FORMAT:
        message = f"has format {form!r}, and this version of returnflow reads {FORMAT}; run the case again"
        raise LoadError(message)


def plain(value: Any, **names: str) -> Any:
    """
    Value as JSON has it: records by `KEYS`, complex arrays by their parts, None for what JSON has no number for.

    Parameters
    ----------
    value : anything of a study
    **names : str
        What stands for words in braces in `KEYS`.

    Examples
    --------
    >>> plain(Change(dB=-math.inf, percent=-100.0, meaningful=True))
    {'dB': None, 'percent': -100.0, 'meaningful': True}
    >>> plain(np.array([1 + 2j]))
    {'real': [1.0], 'imag': [2.0]}
    """
    if type(value) in KEYS:
        keys = _keys(type(value))
        return {key.format(**names): plain(getattr(value, name)) for name, key in keys}
    if isinstance(value, np.ndarray) and np.iscomplexobj(value):
        return {"real": plain(value.real), "imag": plain(value.imag)}
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, str | int | None):
        return value
    if isinstance(value, np.ndarray | Iterable):
        return [plain(item) for item in value]
    message = f"{type(value).__name__} is not a record."
    raise TypeError(message)


def _keys(kind: type) -> list[tuple[str, str]]:
    parts = (word.partition(":") for word in KEYS[kind].split())
    return [(name, key or name) for name, _, key in parts]


def _variant(result: Result, decided: Mapping[str, Decision]) -> Json:
    solution = result.solution
    mid, half = solution.mid, solution.half_width
    names, frequencies = result.loop_names, result.frequencies
    impedance = np.array([result.impedance(f) for f in frequencies])
    shares, sections = by_frequency(result)
    return {
        "name": result.name,
        "loops": plain(names),
        "frequencies_Hz": plain(frequencies),
        "impedance_ohm": plain(impedance),
        # The bounds hold as quadratic forms; entry by entry it is mid +- half_width that is guaranteed.
        "resistance_ohm": plain({"lower": mid - half, "mid": mid, "upper": mid + half, "half_width": half}),
        "shares": [
            {"loop": loop, "region": region, "magnitude": plain(shares[:, n, j])}
            for n, region in enumerate(region_names(result))
            for j, loop in enumerate(names)
        ],
        "sections": [
            {"loop": loop, "section": section, **plain(sections[:, n, j])}
            for n, section in enumerate(section_names(result))
            for j, loop in enumerate(names)
        ],
        "sensitive": [_sensitive(result, budget, decided.get(budget.loop)) for budget in result.sensitive],
        "cables": [_cables(result, budget, impedance, decided.get(budget.loop)) for budget in result.cables],
        "enclosures": [
            {
                "copper": each.copper,
                "bonds": [
                    {
                        "link": bond.name,
                        "current_A": plain(bond.current),
                        "loop": bond.loop,
                        "frequency_Hz": plain(bond.frequency),
                    }
                    for bond in each.bonds
                ],
                "cables": [
                    {"loop": it.loop, "voltage_V": plain(it.voltage), "bonds_open_V": plain(it.without)}
                    for it in each.cables
                ],
            }
            for each in result.enclosures
        ],
        "supplies": [_supply(facts) for facts in result.supplies],
        "mesh": {
            "triangles": len(solution.mesh.triangles),
            "unknowns": solution.space.size,
            "passes": [
                {"triangles": count, "worst": plain(worst * result.case.accuracy)} for count, worst in solution.passes
            ],
        },
        "peaks": [_peak(result, loop, peak) for loop, peak in zip(result.case.loops, result.peaks, strict=True)],
        "crossovers": _crossovers(result),
        "seconds": plain(result.seconds),
        "assumptions": plain(result.case.remarks),
        "cautions": plain(result.cautions),
        "coppers": [_copper(result, n) for n in range(len(result.conductors.names))],
        "left_out": [name for name in result.conductors.left_out if name not in result.idle],
        "idle": plain(result.idle),
        "links": [
            plain(facts.link)
            | plain(facts)
            | {"currents": [{"loop": loop, **plain(facts.currents[:, j])} for j, loop in enumerate(names)]}
            for facts in link_facts(result, frequencies)
        ],
    }


def by_frequency(result: Result) -> tuple[Array, Array]:
    """Shares and net currents at all asked frequencies, shapes (frequencies, regions or sections, loops)."""
    if result.spectral is not None:
        return result.spectral.shares, result.spectral.sections
    return result.shares[None], result.sections[None].astype(np.complex128)


def _sensitive(result: Result, budget: Budget, decision: Decision | None) -> Json:
    return {
        **plain(budget, limit="allowed_V"),
        "contributions": _contributions(budget),
        **_decided(budget, decision),
        "placement": plain(result.placements[budget.loop]),
    }


def _decided(budget: Budget, decision: Decision | None) -> Json:
    """What there is to do; of variants, and of cables within their limit, only what there is."""
    found = finding(budget)
    undecided: Json = {"options": [], "recommendation": found, "finding": found, "rests_on": [], "all_limits": ""}
    chosen = None if decision is None or decision.chosen is None else decision.options.index(decision.chosen)
    return {**(undecided if decision is None else plain(decision)), "chosen": chosen}


def _cables(result: Result, budget: Budget, impedance: Array, decision: Decision | None) -> Json:
    """`voltage_V` is what all noisy currents would make at each asked frequency, `noise_V` at their own lines."""
    worst = max(budget.contributions, key=lambda part: part.noise, default=None)
    columns = [result.index(part.loop) for part in budget.contributions]
    volts = np.abs(impedance[:, result.index(budget.loop), columns]) * [part.current for part in budget.contributions]
    return {
        **plain(budget, limit="limit_V"),
        "voltage_V": [math.hypot(*row) for row in volts.tolist()],
        "worst": None if worst is None else {"loop": worst.loop, "voltage_V": plain(worst.noise)},
        "contributions": _contributions(budget),
        "radiated": plain(budget.radiated),
        **_decided(budget, decision),
    }


def _supply(facts: SupplyFacts) -> Json:
    return {
        "loop": facts.loop,
        "noise_V": plain(facts.noise),
        "part_of_limit": plain(facts.ratio),
        "worst_Hz": plain(facts.worst),
        "frequencies_Hz": plain(facts.frequencies),
        "impedance_ohm": plain(facts.impedance),
        "target_ohm": [plain(value) if math.isfinite(value) else None for value in facts.target.tolist()],
        "resonances": [
            {
                "frequency_Hz": plain(item.frequency),
                "impedance_ohm": plain(item.impedance),
                "kind": "peak" if item.peak else "dip",
                "made_by": cause(item),
            }
            for item in facts.resonances
        ],
        "capacitors": [
            {"link": it.link, "bank": it.bank, "without": plain(it.without), "one_more": plain(it.doubled)}
            for it in facts.capacitors
        ],
        "more": [{"beside": name, "part_of_limit": plain(value)} for name, value in facts.more],
    }


def _contributions(budget: Budget) -> list[Json]:
    return [plain(part) | {"power_share": plain(power_share(budget, part))} for part in budget.contributions]


def _peak(result: Result, loop: Loop, peak: Peak) -> Json:
    current = amperes(loop) if driven(loop) else None
    return {
        "loop": loop.name,
        "current_A": plain(current),
        "per_ampere_A_per_m": plain(peak.value),
        "sheet_A_per_m": plain(None if current is None else peak.value * current),
        "at_m": plain((peak.x, peak.y)),
        "copper": result.conductors.names[peak.copper],
    }


def _crossovers(result: Result) -> list[Json]:
    """What frequency does to each loop; empty where the case asks for the resistive limit only."""
    if result.spectral is None:
        return []
    doubt, near = result.spectral.model.inductance_doubt, np.abs(result.spectral.near)
    return [
        {
            "loop": loop,
            **plain(facts),
            "high_inductance_half_width_H": plain(doubt[j, j]),
            "near_route": plain(near[:, j]),
        }
        for j, (loop, facts) in enumerate(zip(result.loop_names, result.spectral.facts, strict=True))
    ]


def _copper(result: Result, copper: int) -> Json:
    """One copper that was solved."""
    conductors, name = result.conductors, result.conductors.names[copper]
    return {
        "name": name,
        "layer": result.case.board.copper(name).layer,
        "sheet_ohm": plain(conductors.sheets[copper]),
        "thickness_m": plain(conductors.thickness[copper]),
        "area_m2": plain(conductors.planes[copper].copper.area),
    }


def _swept(swept: Swept) -> Json:
    """A sweep: values of its axes, and at every step, in the order of `steps`, the noise of every loop."""
    volts = {"limit_V": swept.limits, "noise_V": swept.noise, "low_V": swept.low, "high_V": swept.high}
    return {
        "name": swept.sweep.name,
        "axes": plain(swept.sweep.axes),
        "steps": [plain(step.at) for step in swept.sweep.steps],
        "loops": [
            {"loop": loop, **{key: plain(of[:, k]) for key, of in volts.items()}, "sentence": swept.sentence(loop)}
            for k, loop in enumerate(swept.loops)
        ],
        "failed": [{"step": step, "reason": reason} for step, reason in swept.failed.items()],
    }
