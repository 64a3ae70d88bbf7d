"""Parts of result.json: options, the comparison, links, findings and sweeps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from returnflow.advice.findings import Finding
from returnflow.advice.option import Option
from returnflow.answers.compare import Change, Comparison
from returnflow.answers.result import Result
from returnflow.answers.sweeps import Swept
from returnflow.words.link_rows import LinkFacts

Json = dict[str, Any]


def option_dict(option: Option) -> Json:
    """One option; `variant` is null where its figures follow from the case as drawn."""
    return {
        "kind": option.kind,
        "title": option.title,
        "possible": option.possible,
        "noise_V": number(option.noise),
        "low_V": number(option.low),
        "high_V": number(option.high),
        "allowed_V": number(option.limit),
        "margin_dB": number(option.margin_dB),
        "meets": option.meets,
        "effort": option.effort,
        "reasons": list(option.reasons),
        "costs": list(option.costs),
        "exceeds": list(option.broken),
        "mends": list(option.mended),
        "variant": option.variant,
    }


def comparison_dict(comparison: Comparison) -> Json:
    """All rows of a comparison, with changes against its first variant."""
    rows = [
        {
            "kind": row.kind,
            "loop": row.loop,
            "other": row.other or None,
            "unit": row.unit,
            "limit": number(row.limit),
            "figures": [None if f is None else {"value": number(f.value), "half": number(f.half)} for f in row.figures],
            "changes": [_change(row.change(n)) for n in range(len(row.figures))],
        }
        for row in comparison.rows
    ]
    return {"variants": list(comparison.variants), "rows": rows}


def _change(change: Change | None) -> Json | None:
    if change is None:
        return None
    return {"dB": number(change.dB), "percent": number(change.percent), "meaningful": change.meaningful}


def copper_dict(result: Result, copper: int) -> Json:
    """One copper that was solved."""
    conductors, name = result.conductors, result.conductors.names[copper]
    return {
        "name": name,
        "layer": result.case.board.copper(name).layer,
        "sheet_ohm": number(conductors.sheets[copper]),
        "thickness_m": number(conductors.thickness[copper]),
        "area_m2": number(conductors.planes[copper].copper.area),
    }


def link_dict(result: Result, facts: LinkFacts) -> Json:
    """
    One link: `at_rest` is what it does at 0 Hz.

    Currents from the first to the second terminal per ampere of each loop; null where no loop reaches the link.
    """
    link = facts.link
    return {
        "name": link.name,
        "between": list(link.between),
        "resistance_ohm": number(link.resistance),
        "inductance_H": number(link.inductance),
        "capacitance_F": number(link.capacitance),
        "at_rest": facts.at_rest,
        "solved": facts.solved,
        "currents": [
            {
                "loop": loop,
                "real": [number(value.real) for value in facts.currents[:, j]],
                "imag": [number(value.imag) for value in facts.currents[:, j]],
            }
            for j, loop in enumerate(result.loop_names)
        ],
    }


def finding_dict(finding: Finding) -> Json:
    """What the drawing gives away."""
    return {
        "kind": finding.kind,
        "things": list(finding.things),
        "sentence": finding.sentence,
        "severity": number(finding.severity),
        "level": finding.level,
        "value": number(finding.value),
        "unit": finding.unit,
        "at_m": None if finding.at is None else [number(value) for value in finding.at],
    }


def swept_dict(swept: Swept) -> Json:
    """A sweep: values of its axes, and at every step, in the order of `steps`, the noise of every loop."""
    return {
        "name": swept.sweep.name,
        "axes": [
            {"label": axis.label, "unit": axis.unit, "values": [number(value) for value in axis.values]}
            for axis in swept.sweep.axes
        ],
        "steps": [list(step.at) for step in swept.sweep.steps],
        "loops": [
            {
                "loop": loop,
                "limit_V": [number(value) for value in swept.limits[:, k]],
                "noise_V": [number(value) for value in swept.noise[:, k]],
                "low_V": [number(value) for value in swept.low[:, k]],
                "high_V": [number(value) for value in swept.high[:, k]],
                "sentence": swept.sentence(loop),
            }
            for k, loop in enumerate(swept.loops)
        ],
        "failed": [{"step": step, "reason": reason} for step, reason in swept.failed.items()],
    }


def number(value: float | np.floating[Any] | None) -> float | None:
    """Plain float for JSON, or None for what JSON has no number for."""
    return None if value is None or not math.isfinite(value) else float(value)
