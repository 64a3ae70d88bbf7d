"""The content of result.json."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.advice.decision import Decision
from returnflow.advice.study import AS_DRAWN, Study
from returnflow.answers.budget import Budget
from returnflow.answers.coupling import Peak
from returnflow.answers.frequency import inductance_doubt
from returnflow.answers.result import Result
from returnflow.report.record_parts import (
    Json,
    comparison_dict,
    copper_dict,
    finding_dict,
    link_dict,
    number,
    option_dict,
    swept_dict,
)
from returnflow.words.answer_text import power_share, region_names, section_names
from returnflow.words.drives import amperes, driven
from returnflow.words.link_rows import link_facts
from returnflow_geometry.model.board import Loop

Array = NDArray[Any]

FORMAT = 1


def to_dict(study: Study) -> Json:
    """
    Study as the content of result.json: SI units, None where there is no number.

    Square matrices are in the order of `loops`; lists under shares, sections, links and cables in that of
    `frequencies_Hz`. Keys beside the variants:

    - ``comparison``: ``variants``, and ``rows`` of a ``kind`` with a ``loop``, an ``other`` (region, link, gaps), a
      ``unit`` and a ``limit``; in the order of the variants ``figures`` (``value`` within plus or minus ``half``; null
      where a variant has none) and ``changes`` against the first (``dB``, ``percent``, and ``meaningful``, false where
      the difference is within what both are known to).
    - ``failed``: ``name`` and ``reason`` of variants without an answer.
    - ``findings``: what the drawing gives away, the worst first.
    - ``sweeps``: ``axes``, and the figures of every loop at all ``steps``.

    Of every sensitive loop as drawn, ``options`` are in the order of effort; ``chosen`` is the number of the one
    that is recommended, null where none is.
    """
    decided = {decision.loop: decision for decision in study.decisions}
    return {
        "format": FORMAT,
        "title": study.case.title,
        "versions": dict(study.versions),
        "variants": [
            _variant(result, decided if name == AS_DRAWN else {}, study.changes.get(name, ()))
            for name, result in study.variants.items()
        ],
        "comparison": comparison_dict(study.comparison),
        "failed": [{"name": name, "reason": reason} for name, reason in study.failed.items()],
        "findings": [finding_dict(finding) for finding in study.findings],
        "sweeps": [swept_dict(swept) for swept in study.swept],
    }


def to_json(study: Study) -> str:
    """Content of result.json as text."""
    return json.dumps(to_dict(study), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _variant(result: Result, decided: Mapping[str, Decision], changes: Sequence[str]) -> Json:
    solution = result.solution
    mid, half = solution.mid, solution.half_width
    names, frequencies = result.loop_names, result.frequencies
    impedance = [result.impedance(f) for f in frequencies]
    shares, sections = by_frequency(result)
    return {
        "name": result.name,
        "loops": list(names),
        "frequencies_Hz": [number(f) for f in frequencies],
        "impedance_ohm": {"real": [_numbers(Z.real) for Z in impedance], "imag": [_numbers(Z.imag) for Z in impedance]},
        "resistance_ohm": {
            # The bounds hold as quadratic forms; entry by entry it is mid +- half_width that is guaranteed.
            "lower": _numbers(mid - half),
            "mid": _numbers(mid),
            "upper": _numbers(mid + half),
            "half_width": _numbers(half),
        },
        "shares": [
            {"loop": loop, "region": region, "magnitude": [number(value) for value in shares[:, n, j]]}
            for n, region in enumerate(region_names(result))
            for j, loop in enumerate(names)
        ],
        "sections": [
            {
                "loop": loop,
                "section": section,
                "real": [number(value.real) for value in sections[:, n, j]],
                "imag": [number(value.imag) for value in sections[:, n, j]],
            }
            for n, section in enumerate(section_names(result))
            for j, loop in enumerate(names)
        ],
        "sensitive": [_sensitive(result, budget, decided.get(budget.loop)) for budget in result.sensitive],
        "cables": [_cables(result, budget, impedance) for budget in result.cables],
        "mesh": {
            "triangles": len(solution.mesh.triangles),
            "unknowns": solution.space.size,
            "passes": [
                {"triangles": count, "worst": number(worst * result.case.accuracy)} for count, worst in solution.passes
            ],
        },
        "peaks": [_peak(result, loop, peak) for loop, peak in zip(result.case.loops, result.peaks, strict=True)],
        "crossovers": _crossovers(result),
        "seconds": {part: number(seconds) for part, seconds in result.seconds.items()},
        "assumptions": list(result.case.remarks),
        "cautions": list(result.cautions),
        "changes": list(changes),
        "coppers": [copper_dict(result, n) for n in range(len(result.conductors.names))],
        "left_out": [name for name in result.conductors.left_out if name not in result.idle],
        "idle": list(result.idle),
        "links": [link_dict(result, facts) for facts in link_facts(result, frequencies)],
    }


def by_frequency(result: Result) -> tuple[Array, Array]:
    """Shares and net currents at all asked frequencies, shapes (frequencies, regions or sections, loops)."""
    if result.spectral is not None:
        return result.spectral.shares, result.spectral.sections
    return result.shares[None], result.sections[None].astype(np.complex128)


def _sensitive(result: Result, budget: Budget, decision: Decision | None) -> Json:
    placement = result.placements[budget.loop]
    return {
        "loop": budget.loop,
        "noise_V": number(budget.noise),
        "low_V": number(budget.low),
        "high_V": number(budget.high),
        "worst_case_V": number(budget.worst_case),
        "allowed_V": number(budget.limit),
        "margin_dB": number(budget.margin_dB),
        "verdict": budget.verdict,
        "contributions": _contributions(budget),
        "options": [] if decision is None else [option_dict(option) for option in decision.options],
        "recommendation": budget.recommendation if decision is None else decision.recommendation,
        "finding": None if decision is None else decision.finding,
        "rests_on": [] if decision is None else list(decision.rests_on),
        "chosen": None if decision is None or decision.chosen is None else decision.options.index(decision.chosen),
        "placement": {
            "area_m2": number(placement.area),
            "radius_m": number(placement.radius),
            "nearest_m": None if placement.nearest is None else [number(value) for value in placement.nearest],
        },
    }


def _cables(result: Result, budget: Budget, impedance: list[NDArray[np.complex128]]) -> Json:
    """`voltage_V` is what all noisy currents would make at each asked frequency, `noise_V` at their own lines."""
    worst = max(budget.contributions, key=lambda part: part.noise, default=None)
    row = result.index(budget.loop)
    currents = {result.index(part.loop): part.current for part in budget.contributions}
    return {
        "loop": budget.loop,
        "voltage_V": [number(math.hypot(*(abs(Z[row, j]) * I for j, I in currents.items()))) for Z in impedance],
        "noise_V": number(budget.noise),
        "low_V": number(budget.low),
        "high_V": number(budget.high),
        "worst_case_V": number(budget.worst_case),
        "limit_V": number(budget.limit),
        "margin_dB": number(budget.margin_dB),
        "verdict": budget.verdict,
        "worst": None if worst is None else {"loop": worst.loop, "voltage_V": number(worst.noise)},
        "contributions": _contributions(budget),
    }


def _contributions(budget: Budget) -> list[Json]:
    return [
        {
            "loop": part.loop,
            "transfer_ohm": number(part.transfer),
            "half_width_ohm": number(part.half_width),
            "current_A": number(part.current),
            "noise_V": number(part.noise),
            "power_share": number(power_share(budget, part)),
            "frequency_Hz": number(part.frequency),
            "in_band": part.in_band,
            "out_of_band_V": number(part.out_of_band),
            "lines": part.lines,
            "lines_in_band": part.counted,
        }
        for part in budget.contributions
    ]


def _peak(result: Result, loop: Loop, peak: Peak) -> Json:
    current = amperes(loop) if driven(loop) else None
    return {
        "loop": loop.name,
        "current_A": number(current),
        "per_ampere_A_per_m": number(peak.value),
        "sheet_A_per_m": number(None if current is None else peak.value * current),
        "at_m": [number(peak.x), number(peak.y)],
        "copper": result.conductors.names[peak.copper],
    }


def _crossovers(result: Result) -> list[Json]:
    """What frequency does to each loop; empty where the case asks for the resistive limit only."""
    if result.spectral is None:
        return []
    doubt = inductance_doubt(result.spectral.model)
    return [
        {
            "loop": loop,
            "turning_Hz": number(facts.turning),
            "ribbon_Hz": number(facts.ribbon),
            "low_inductance_H": number(facts.low_inductance),
            "high_inductance_H": number(facts.high_inductance),
            "high_inductance_half_width_H": number(float(doubt[j, j])),
            "low_length_m": number(facts.low_length),
            "high_length_m": number(facts.high_length),
            "near_route": [number(abs(value)) for value in result.spectral.near[:, j]],
            "gaps": list(facts.gaps),
            "gap_inductance_H": number(facts.gap_inductance),
            "gap_detour_m": number(facts.gap_detour),
        }
        for j, (loop, facts) in enumerate(zip(result.loop_names, result.spectral.facts, strict=True))
    ]


def _numbers(matrix: NDArray[np.float64]) -> list[list[float | None]]:
    return [[number(value) for value in row] for row in matrix]
