"""A live page in a notebook that hands back what was moved: needs the extra `live`."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

from returnflow.advice.study import AS_DRAWN
from returnflow.live.moves import changes_of
from returnflow.live.page import live_page
from returnflow_geometry.model.board import Case


def live_widget(case: Case, *, steady: bool = False, height: int = 720) -> Any:
    """
    Show the live page of a case in a notebook, and know what was moved on it.

    The widget's `case` is the variant that is shown with everything where it was dragged; `moved` is what the page
    says of it, in millimetres, a trait to be observed; `places` are the contacts that are not as drawn.

    Parameters
    ----------
    case : Case
    steady : bool
        0 Hz only: sooner there.
    height : int
        Pixels.

    Raises
    ------
    ImportError
        Without the extra `live`.

    Examples
    --------
    >>> import returnflow as rf  # doctest: +SKIP
    >>> widget = rf.live_widget(rf.read_case("examples/strip_with_slot.toml"))  # doctest: +SKIP
    >>> rf.run(widget.case).table()  # of what was dragged  # doctest: +SKIP
    """
    return _kind()(case, live_page(case, steady=steady), height)


@cache
def _kind() -> Any:
    """The widget's class; made when it is asked for, as its libraries are an extra."""
    try:
        import anywidget
        import traitlets
    except ImportError as error:
        message = "A live widget needs the extra `live`: pip install 'returnflow[live]'."
        raise ImportError(message) from error

    class LiveWidget(anywidget.AnyWidget):  # type: ignore[misc]
        """A live page that hands back what was moved."""

        _esm = files("returnflow.live").joinpath("scripts", "widget.js").read_text(encoding="utf-8")
        page = traitlets.Unicode().tag(sync=True)
        height = traitlets.Int().tag(sync=True)
        moved = traitlets.Dict().tag(sync=True)

        def __init__(self, case: Case, page: str, height: int) -> None:
            super().__init__(page=str(page), height=height)
            self.drawn = {AS_DRAWN: case, **{variant.name: variant.case for variant in case.variants}}

        @property
        def case(self) -> Case:
            """Case that is shown, with what was moved; `RequestError` or `CaseError` if it cannot be so."""
            shown = self.drawn.get(self.moved.get("variant", AS_DRAWN), self.drawn[AS_DRAWN])
            changes = changes_of(self.moved, shown)
            return shown.changed(**changes) if changes else shown

        @property
        def places(self) -> dict[str, list[float]]:
            """Contacts that are not as drawn, millimetres."""
            return dict(self.moved.get("places", {}))

    return LiveWidget
