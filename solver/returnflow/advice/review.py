"""Board review: what the drawing alone shows, with its computed consequence."""

from __future__ import annotations

from returnflow.advice.cable_findings import apart, between
from returnflow.advice.findings import Finding, FindingKind
from returnflow.advice.route_findings import Routes
from returnflow.advice.way_findings import changes, detours
from returnflow.answers.result import Result

__all__ = ["Finding", "FindingKind", "review"]


def review(result: Result) -> tuple[Finding, ...]:
    """
    Find what a reviewer would point at, the worst first.

    Routes that cross a gap or leave their copper; routes within five heights of a copper edge; routes much longer than
    need be, or that change the copper they refer to far from a link; cable connectors on both sides of a gap; noisy
    loops between two cable connectors.

    Parameters
    ----------
    result : Result
    """
    routes = Routes(result)
    ways = [*detours(result), *changes(result)]
    found = [*routes.crossings(), *routes.near_edges(), *ways, *apart(result), *between(result)]
    return tuple(sorted(found, key=lambda finding: -finding.severity))
