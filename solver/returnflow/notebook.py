"""Studies for a Python prompt or a notebook: tables and pictures by name, results that are saved and loaded again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields as fields_of
from pathlib import Path
from typing import TYPE_CHECKING

from returnflow.advice import study as advice
from returnflow.answers.result import Result
from returnflow.report.kept import FieldsMissingError, LoadError
from returnflow.report.record import read_back
from returnflow.resistive.linear import Progress
from returnflow.resistive.solution import Options
from returnflow.words.comparison import comparison_text
from returnflow.words.result_tables import loops_table
from returnflow.words.study_tables import variants_table
from returnflow_geometry.model.board import Case

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FieldsMissingError", "LoadError", "Study", "load", "run"]


class Shown(str):
    """Text that shows as it is at a prompt, and as a table in a notebook."""

    __slots__ = ("html",)
    html: str

    def __new__(cls, text: str, html: str) -> Shown:
        """Text, and what a notebook shows instead."""
        made = super().__new__(cls, text)
        made.html = html
        return made

    def __repr__(self) -> str:
        """The text, without quotation marks."""
        return str(self)

    def _repr_html_(self) -> str:
        return self.html


class Study(advice.Study):
    """
    Results of a case by variant name, as tables, pictures and files.

    Examples
    --------
    >>> study = run("examples/four_point_disc.toml", only=["as drawn"])
    >>> result = study["as drawn"]
    >>> squares = result.impedance()[0, 1].real / result.solution.sheet
    >>> round(float(1 / squares), 2)  # published: 4.171
    4.17
    >>> study["solid"]
    Traceback (most recent call last):
    ...
    KeyError: '"solid" is not a variant; there are "as drawn"'
    >>> study
    <Study "Four-point measurement on a disc (teaching case)": 1 variant>
    >>> result
    <Result "as drawn": 2 loops; limits exceeded for "voltmeter">
    """

    @classmethod
    def of(cls, found: advice.Study) -> Study:
        """The same results; what is worked out of them already stays so."""
        made = cls(**{field.name: getattr(found, field.name) for field in fields_of(found)})
        vars(made).update(vars(found))
        return made

    def table(self) -> Shown:
        """
        All variants by what has a limit, against the first; of a single one its loops.

        Examples
        --------
        >>> print(run("examples/four_point_disc.toml", only=["as drawn"]).table())
          loop            role       ...
        """
        from returnflow.report.page import table_html

        beside = variants_table(self)
        if beside is not None:
            return Shown(comparison_text(self), table_html(beside))
        alone = loops_table(next(iter(self.variants.values())))
        return Shown(alone.text(), table_html(alone))

    def plot(
        self,
        kind: str = "flow",
        loop: str | None = None,
        *,
        variant: str | None = None,
        noisy: str | None = None,
        frequency: float = 0.0,
    ) -> Figure:
        """
        One picture of the report.

        Parameters
        ----------
        kind : str
            "why" (what is worst, and what makes it), "board", "sources" (of many noisy loops), "flow", "coupling",
            "placement"; over frequency "strip", "impedance", "shares", "transfer", "noise"; of all variants
            "comparison", of sweeps "sweep".
        loop : str, optional
            Whose; by default of the loop that matters most.
        variant : str, optional
            By default the first.
        noisy : str, optional
            Of a coupling map, the loop that disturbs; by default the strongest.
        frequency : float
            Of a flow, hertz.

        Raises
        ------
        FieldsMissingError
            For a map of results that were saved without fields.

        Examples
        --------
        >>> figure = run("examples/four_point_disc.toml", only=["as drawn"]).plot("flow", "current source")
        >>> figure.texts[0].get_text()
        'current source: where the return current flows'
        """
        from returnflow.pictures.plots import plot

        return plot(self, kind, loop, variant, noisy=noisy, hertz=frequency)

    def save(self, folder: str | Path, progress: Progress | None = None, *, brief: bool = False) -> list[Path]:
        """
        Write the report, result.json, pictures and what `load` reads.

        Parameters
        ----------
        folder : path
            Made if it does not exist.
        progress : function of one string, optional
        brief : bool
            Leave out the details, and the fields that maps of what is loaded are drawn from.

        Returns
        -------
        paths : list of Path
        """
        from returnflow.report.files import write_all

        return write_all(self, Path(folder), progress, brief=brief).paths

    def _repr_html_(self) -> str:
        return self.table().html


def run(
    case: Case | str | Path,
    options: Options | None = None,
    progress: Progress | None = None,
    *,
    only: Sequence[str] | None = None,
    jobs: int | None = None,
    each: Callable[[str, Result], object] | None = None,
    cache: str | Path | None = None,
) -> Study:
    """Solve a case and its variants; see `returnflow.advice.study.run` for parameters and mistakes."""
    return Study.of(advice.run(case, options, progress, only=only, jobs=jobs, each=each, cache=cache))


def load(path: str | Path) -> Study:
    """
    Read results back: numbers, tables and pictures can be made again (maps not of a brief one).

    Parameters
    ----------
    path : path
        result.json of a run, or its folder; study.npz lies beside it.

    Raises
    ------
    LoadError
        If it cannot be read: which file, why, and what to do.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     before = run("examples/four_point_disc.toml", only=["as drawn"])
    ...     _ = before.save(folder, brief=True)
    ...     after = load(folder + "/result.json")
    >>> after.table() == before.table()
    True
    """
    return Study.of(read_back(Path(path)))
