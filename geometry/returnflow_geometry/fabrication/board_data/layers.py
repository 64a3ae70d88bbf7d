"""Which image file is which layer: by the files' own attributes, by the job file, or by a table in the case."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from returnflow_geometry.fabrication.base.objects import FabricationError, JobFile
from returnflow_geometry.model.wording import brief, listed

LayerKind = Literal["copper", "outline", "drill", "ignored"]
HEAD = 65536  # bytes in which a file says what it is
MAX_LAYERS = 16
IGNORED_WORDS = {
    "soldermask": "solder mask",
    "legend": "legend",
    "paste": "solder paste",
    "glue": "glue",
    "drillmap": "drill map: a picture of the holes, not the holes",
    "assemblydrawing": "drawing",
    "fabricationdrawing": "drawing",
    "arraydrawing": "drawing",
    "otherdrawing": "drawing",
    "drawing": "drawing",
    "component": "components",
    "vcut": "scoring lines",
    "depthrout": "milling to a depth",
    "keepout": "keep-out areas",
    "pads": "pads only",
    "goldmask": "gold mask",
    "silvermask": "silver mask",
    "tinmask": "tin mask",
    "carbonmask": "carbon mask",
    "peelablesoldermask": "peelable mask",
    "heatsinkmask": "heat sink mask",
    "viatenting": "via treatment",
    "viafill": "via treatment",
    "other": "of another kind",
}
PANELS = {"array", "fabricationpanel", "customerpanel", "productionpanel"}
FLEX_WORDS = ("flex", "coverlay", "stiffener", "bendarea")


@dataclass(frozen=True, kw_only=True)
class Role:
    """What one image file is for. `number` counts copper layers from 1 at the top; `why` says why it is ignored."""

    kind: LayerKind
    number: int = 0
    function: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True, kw_only=True)
class Choice:
    """
    What the image files are for.

    `coppers` are file names from top to bottom, `order` says where the order came from.
    """

    coppers: tuple[str, ...]
    outlines: tuple[str, ...]
    drills: dict[str, tuple[str, ...]]
    ignored: tuple[tuple[str, str], ...]
    order: str
    contradictions: tuple[str, ...]


class UntoldLayersError(FabricationError):
    """No image file says that it is copper."""


def looks_like_gerber(data: bytes) -> bool:
    r"""
    Whether these bytes look like an image file.

    Examples
    --------
    >>> looks_like_gerber(b"%FSLAX46Y46*%\n%MOMM*%\nM02*\n"), looks_like_gerber(b"M48\nMETRIC\n%\n")
    (True, False)
    """
    head = data[:HEAD]
    if b"\0" in head or head.lstrip()[:1] in {b"<", b"{", b"["}:
        return False
    return bool(re.search(rb"%(?:FS|MO|AD|AM|TF|LP|IP|IN|OF)|G36\*|D0?[123]\*", head)) and b"*" in head


def own_attributes(data: bytes) -> dict[str, tuple[str, ...]]:
    r"""
    File attributes an image or drill file gives itself, without reading its picture.

    Examples
    --------
    >>> own_attributes(b"%TF.FileFunction,Copper,L1,Top*%\nG04 #@! TF.Part,Single*\n")
    {'FileFunction': ('Copper', 'L1', 'Top'), 'Part': ('Single',)}
    """
    found = {}
    for name, fields in re.findall(
        rb"TF\.(FileFunction|Part|FilePolarity|SameCoordinates)(?:,([^*%\r\n]*))?", data[:HEAD]
    ):
        values = tuple(item.strip() for item in fields.decode("utf-8", "replace").split(","))
        found[name.decode()] = values
    return found


def choose_layers(
    attributes: Mapping[str, Mapping[str, tuple[str, ...]]],
    jobs: Iterable[JobFile] = (),
    table: Mapping[str, str] | None = None,
) -> Choice:
    """
    Decide what each image file is.

    Parameters
    ----------
    attributes : mapping
        For each file its own file attributes, such as ``{"FileFunction": ("Copper", "L1", "Top")}``.
    jobs : iterable of JobFile
    table : mapping of str to str, optional
        File name to ``L1``, ``L2``, ..., ``outline``, ``drill`` or ``ignore``. What the case says of a file counts;
        where the file itself says otherwise that is reported.

    Raises
    ------
    FabricationError
        If no copper is found, layers are missing or doubled, or the files are of a panel or a rigid-flex board.
    """
    table = dict(table or {})
    listed_in = {file: job for job in jobs for file in job.files}
    contradictions: list[str] = []
    roles: dict[str, Role] = {}
    sources: set[str] = set()
    for file, own in attributes.items():
        _refuse(file, own)
        told, by = _role(own.get("FileFunction")), "the files' own attributes"
        job = listed_in.get(file)
        if job is not None:
            listed_role = _role(job.files[file])
            if told is None:
                told, by = listed_role, f"the job file {job.file}"
            elif listed_role is not None and (told.kind, told.number) != (listed_role.kind, listed_role.number):
                contradictions.append(
                    f"{file} says it is {_said(told)}, the job file {job.file} {_said(listed_role)}: "
                    "the file itself is believed"
                )
        if file in table:
            wanted = _from_table(file, table.pop(file))
            if told is not None and (told.kind, told.number) != (wanted.kind, wanted.number):
                contradictions.append(f"{file}: {by} make it {_said(told)}, the case {_said(wanted)}: the case wins")
            told, by = wanted, "the table in the case"
        if told is None:
            told = Role(kind="ignored", why="nothing says what it is")
        elif told.kind == "copper":
            sources.add(by)
        roles[file] = told
    if table:
        file = next(iter(table))
        message = f"is named in the case's table; the data has no such image file; it has {listed(attributes)}"
        raise FabricationError(file, message)
    coppers = _ordered(roles, contradictions)
    _compare_count(len(coppers), jobs, contradictions)
    return Choice(
        coppers=coppers,
        outlines=tuple(file for file, role in roles.items() if role.kind == "outline"),
        drills={file: role.function for file, role in roles.items() if role.kind == "drill"},
        ignored=tuple((file, role.why) for file, role in roles.items() if role.kind == "ignored"),
        order=" and ".join(sorted(sources)),
        contradictions=tuple(contradictions),
    )


def _role(function: tuple[str, ...] | None) -> Role | None:
    """Role by a function attribute; None if it says nothing."""
    if not function or not function[0].strip():
        return None
    word = re.sub(r"[^a-z]", "", function[0].lower())
    rest = [item.strip().lower() for item in function[1:]]
    if word == "copper":
        number = re.fullmatch(r"l(\d{1,3})", rest[0]) if rest else None
        return Role(kind="copper", number=int(number[1]), function=function) if number and int(number[1]) else None
    if word == "profile":
        return Role(kind="outline", function=function)
    if word in {"plated", "nonplated"}:
        return Role(kind="drill", function=function)
    return Role(kind="ignored", why=IGNORED_WORDS.get(word, brief(function[0])))


def _from_table(file: str, value: str) -> Role:
    text = value.strip().lower()
    number = re.fullmatch(r"l(\d{1,3})", text)
    if number and int(number[1]):
        return Role(kind="copper", number=int(number[1]))
    if text in {"outline", "drill"}:
        return Role(kind="outline" if text == "outline" else "drill")
    if text == "ignore":
        return Role(kind="ignored", why="the case says so")
    message = (
        f'is "{brief(value)}" in the case\'s table; a file is one of L1, L2, ... from the top, outline, drill, ignore; '
        "write one of these"
    )
    raise FabricationError(file, message)


def _said(role: Role) -> str:
    if role.kind == "copper":
        return f"copper L{role.number}"
    return {"outline": "the outline", "drill": "holes", "ignored": role.why}[role.kind]


def _refuse(file: str, own: Mapping[str, tuple[str, ...]]) -> None:
    part = re.sub(r"[^a-z]", "", (own.get("Part") or ("",))[0].lower())
    if part in PANELS:
        message = (
            f"says it is a panel (Part {part}); one board is read, not several on a panel; export the single board"
        )
        raise FabricationError(file, message)
    function = " ".join(own.get("FileFunction") or ()).lower().replace(" ", "")
    if any(word in function for word in FLEX_WORDS):
        message = (
            f'has the function "{brief(",".join(own["FileFunction"]))}", which belongs to a flexible or rigid-flex '
            "board; rigid boards are read; leave the flexible part out"
        )
        raise FabricationError(file, message)


def _ordered(roles: Mapping[str, Role], contradictions: list[str]) -> tuple[str, ...]:
    found: dict[int, list[str]] = {}
    for file, role in roles.items():
        if role.kind == "copper":
            found.setdefault(role.number, []).append(file)
    if not found:
        undecided = [file for file, role in roles.items() if role.why == "nothing says what it is"]
        some = undecided or list(roles)
        message = (
            "no file says that it is copper; layers are told by the attribute FileFunction in the files, by a job "
            "file, or by a table in the case; write for instance "
            f'source_layers = {{ "{brief(some[0]) if some else "top.gbr"}" = "L1", ... }} for {listed(some)}'
        )
        raise UntoldLayersError(some[0] if some else "fabrication data", message)
    doubled = [(number, files) for number, files in sorted(found.items()) if len(files) > 1]
    if doubled:
        number, files = doubled[0]
        message = f"{listed(files)} all say they are copper L{number}; a layer has one file; remove all but one"
        raise FabricationError(files[0], message)
    last = max(found)
    if last > MAX_LAYERS:
        message = f"is copper L{last}; boards of up to {MAX_LAYERS} layers are read; check the layer's number"
        raise FabricationError(found[last][0], message)
    missing = [f"L{number}" for number in range(1, last + 1) if number not in found]
    if missing:
        message = (
            f"is copper L{last}, and no file is {', '.join(missing)}; every copper layer is needed, as currents may "
            "use it; add the file, or name it in the case's table"
        )
        raise FabricationError(found[last][0], message)
    for number, side in ((1, "top"), (last, "bot")):
        file = found[number][0]
        own = [item.strip().lower() for item in roles[file].function[2:3]]
        if own and last > 1 and own[0] != side:
            place = "first" if number == 1 else "last"
            contradictions.append(f"{file} is the {place} copper by its number, and {own[0]} by its side")
    return tuple(found[number][0] for number in sorted(found))


def _compare_count(count: int, jobs: Iterable[JobFile], contradictions: list[str]) -> None:
    contradictions.extend(
        f"the job file {job.file} says {job.copper_layers} copper layers, the image files are {count}"
        for job in jobs
        if job.copper_layers is not None and job.copper_layers != count
    )
