"""Command line: parse, call one library function, print. Results go to stdout, progress and mistakes to stderr."""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import signal
import sys
import time
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import returnflow
from returnflow.console import put, put_line, reasons, say

if TYPE_CHECKING:
    from returnflow.live.server import Answers
    from returnflow_geometry.model.board import Case

# What a command needs is imported when it runs: a mistyped option must not wait for a solver to load.

DONE, EXCEEDED, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130
FAST = 0.05  # accuracy of a first look


def main(argv: Sequence[str] | None = None) -> int:
    """
    Run the command line; return the exit status.

    0 done; 1 a limit is exceeded (with ``--strict`` only); 2 bad input or an answer that could not be had.
    """
    try:
        arguments = _parser().parse_args(argv)
    except SystemExit as stop:
        return int(stop.code or 0) if not isinstance(stop.code, str) else BAD_INPUT
    try:
        return int(arguments.command(arguments))
    except OSError as error:
        where = f": {error.filename}" if error.filename else ""
        say(f"error: cannot write the results{where}: {error.strerror or error}. Choose another directory with -o.")
        return BAD_INPUT
    except MemoryError:
        say("error: out of memory. Set a larger `accuracy`, or remove copper details much finer than the contacts.")
        return BAD_INPUT
    except KeyboardInterrupt:
        say("interrupted; what was not yet written is lost.")
        return INTERRUPTED
    except Exception as error:
        for line in reasons(error):
            say(line)
        return BAD_INPUT


def entry() -> NoReturn:
    """Console script."""
    for stream in (sys.stdout, sys.stderr):
        # Signs that a stream cannot show become question marks, not errors.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    # Work that Ctrl-C ends is no news to whoever pressed it.
    warnings.filterwarnings("ignore", message=r"\d+ tasks which were still being processed", category=UserWarning)
    # Work is shared among cores board by board, and within one piece by piece; numpy's own threads beside these, which
    # wait by spinning, take up to twice the processor and no less time. It reads this when it is imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Whoever ends the program otherwise gets what Ctrl-C gets: what is solved is written, and no process stays.
    signal.signal(signal.SIGTERM, _ended)
    status = main()
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(status)


def _ended(*_: object) -> NoReturn:
    raise KeyboardInterrupt


class _Version(argparse.Action):
    """Looks the version up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        put(f"returnflow {returnflow.__version__}")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="returnflow",
        description="Where each return current flows, what it couples into, and how accurate the numbers are.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the program's version number and exit")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    run = commands.add_parser("run", help="solve a case, print the results, write the report", description=_run.__doc__)
    run.add_argument("case", type=Path, metavar="CASE", help="case file (TOML)")
    run.add_argument("-o", "--output", type=Path, metavar="DIR", help="output folder (default: ./CASE-report)")
    run.add_argument(
        "--format", choices=("table", "json"), default="table", help="what to print on stdout (default: table)"
    )
    only = 'solve only this variant; may be given several times ("as drawn" is the case itself)'
    run.add_argument("--variant", action="append", metavar="NAME", help=only)
    run.add_argument("--jobs", type=int, metavar="N", help="solve N variants in parallel (default: one per core)")
    run.add_argument("--brief", action="store_true", help="leave out details.html and the pictures that only it shows")
    run.add_argument("--fast", action="store_true", help=f"a first look, on coarser meshes: accuracy {FAST:g}")
    run.add_argument(
        "--cache",
        type=Path,
        metavar="DIR",
        help="keep solutions in this folder, and take from it what is solved already (default: keep none)",
    )
    run.add_argument("--strict", action="store_true", help="exit status 1 if a limit in the case is exceeded")
    run.add_argument("--quiet", action="store_true", help="no progress on stderr")
    run.set_defaults(command=_run)

    check = commands.add_parser(
        "check", help="check a case without solving it, list the assumptions", description=_check.__doc__
    )
    check.add_argument("case", type=Path, metavar="CASE", help="case file (TOML)")
    check.set_defaults(command=_check)

    take = commands.add_parser(
        "import", help="create a starter case from fabrication files", description=_import.__doc__
    )
    take.add_argument("data", type=Path, metavar="FOLDER|FILE", help="folder, archive, IPC-2581 or DXF file")
    take.add_argument("-o", "--output", type=Path, metavar="CASE", required=True, help="case file to write (TOML)")
    take.add_argument("--title", metavar="TEXT", help="title of the case (default: the data's name)")
    role = (
        "role of a file (or drawing layer) that does not state it: L1, L2, ... from the top, outline, drill or ignore"
    )
    take.add_argument("--layer", action="append", metavar="FILE=L1", help=f"{role}; may be given several times")
    take.add_argument(
        "--accept-layers",
        action="store_true",
        help="where no image file states its layer, accept what names and contents suggest (printed without it)",
    )
    take.add_argument("--replace", action="store_true", help="overwrite an existing case file")
    take.add_argument("--page", action="store_true", help="complete the case on a page before it is written")
    _serving(take)
    take.set_defaults(command=_import)

    live = commands.add_parser("live", help="a page with contacts to drag", description=_live.__doc__)
    live.add_argument("case", type=Path, metavar="CASE", nargs="*", help="case files (TOML); several share one page")
    live.add_argument("--lessons", action="store_true", help="the lessons that come with the program, instead of cases")
    live.add_argument("-o", "--output", type=Path, metavar="PAGE", help="HTML file to write (default: serve the page)")
    _serving(live)
    live.add_argument(
        "--variant", action="append", metavar="NAME", help="only this variant; may be given several times"
    )
    live.add_argument("--steady", action="store_true", help="0 Hz only: a smaller page, made sooner")
    live.add_argument("--quiet", action="store_true", help="no progress on stderr")
    live.set_defaults(command=_live)
    return parser


def _serving(command: argparse.ArgumentParser) -> None:
    """Add what says how a page is served."""
    command.add_argument(
        "--port", type=_port, default=0, help="where to serve the page on this machine (default: any free one)"
    )
    command.add_argument("--no-open", action="store_true", help="serve the page without opening a browser")


def _port(text: str) -> int:
    if not (text.isdecimal() and int(text) <= 65535):
        message = f"{text}: must be 0 to 65535. Leave it out for any free one."
        raise argparse.ArgumentTypeError(message)
    return int(text)


def _run(arguments: argparse.Namespace) -> int:
    """Solve a case, print the results, and write report.html, result.json, fields.vtu and the pictures."""
    from returnflow.advice.study import run
    from returnflow.report.files import check_directory, to_dict, write_all
    from returnflow.resistive.linear import NumericalError
    from returnflow.resistive.solution import Options
    from returnflow.words.first_look import first_look
    from returnflow.words.terminal import summary_table
    from returnflow_geometry.casefile.read import read_case
    from returnflow_geometry.mesh.mesher import MeshError
    from returnflow_geometry.model.wording import named

    case = read_case(arguments.case)
    unknown = _unknown_variants(arguments.variant, [case])
    if arguments.jobs is not None and arguments.jobs < 1:
        say(f"error: --jobs {arguments.jobs}: must be at least 1. Leave it out for one job on each core.")
        unknown.append("jobs")
    if arguments.cache is not None and arguments.cache.exists() and not arguments.cache.is_dir():
        say(f"error: --cache {arguments.cache}: is a file. Give the name of a folder, which is made if it is missing.")
        unknown.append("cache")
    if unknown:
        return BAD_INPUT
    directory = arguments.output or Path(f"{arguments.case.stem}-report")
    check_directory(directory)
    begin = time.perf_counter()

    def progress(line: str) -> None:
        for part in () if arguments.quiet else line.splitlines():
            say(f"[{time.perf_counter() - begin:6.1f} s] {part}")

    if not arguments.quiet:
        with contextlib.suppress(NumericalError, MeshError):  # the whole solve says why
            early = first_look(case)
            progress(
                f"first look at 0 Hz, by resistance alone, to about 5 %\n{early}" if early else "no loop has a limit"
            )
    options = Options(accuracy=max(FAST, case.accuracy)) if arguments.fast else None
    study = run(case, options, progress=progress, only=arguments.variant, jobs=arguments.jobs, cache=arguments.cache)
    for name, reason in study.failed.items():
        say(f"variant {named(name)} failed and is left out: {reason}")
    written = write_all(study, directory, progress, brief=arguments.brief)
    for failure in written.failed:
        say(f"error: {failure}")
    progress(f"wrote {directory / 'report.html'}")
    if (recommended := directory / "recommended.toml") in written.paths:
        progress(f"wrote {recommended}: what it recommends, as variants to put at the end of the case file")
    put(json.dumps(to_dict(study), indent=1, allow_nan=False) if arguments.format == "json" else summary_table(study))
    if study.stopped or written.stopped:
        say("interrupted; what was solved until then is written.")
        return INTERRUPTED
    if written.failed:
        return BAD_INPUT
    return EXCEEDED if arguments.strict and study.exceeded else DONE


def _unknown_variants(asked: Sequence[str] | None, cases: Sequence[Case]) -> list[str]:
    """Names that are no variant of any case; each is said."""
    from returnflow.advice.study import AS_DRAWN
    from returnflow_geometry.model.wording import listed

    names = [AS_DRAWN, *(variant.name for case in cases for variant in case.variants)]
    unknown = [name for name in asked or () if name not in names]
    for name in unknown:
        had = listed(names, "or")
        say(f"error: --variant {name}: the case has no variant of that name. Give {had}, or leave it out.")
    return unknown


def _check(arguments: argparse.Namespace) -> int:
    """Check a case without solving it, and list what was assumed and what the model would need."""
    from returnflow.answers.missing import first_cautions
    from returnflow_geometry.casefile.read import read_case
    from returnflow_geometry.casefile.supplied import Sourced
    from returnflow_geometry.model.wording import count, label

    sourced = Sourced(arguments.case.parent)
    case = read_case(arguments.case, sourced)
    source = sourced.source
    if source is not None and source.data is not None:
        from returnflow_geometry.fabrication.board_data.summary import describe

        lines = describe(
            source.data,
            pins=source.pins,
            connectivity=source.connectivity,
            stackup=source.stackup,
            limits=source.limits,
        )
        for line in lines:
            put_line(line)
    board = case.board
    counts = {"layer": board.layers, "terminal": board.terminals, "cutout": board.cutouts, "loop": case.loops}
    put(f"{case.title}: " + ", ".join(count(len(things), kind) for kind, things in counts.items()))
    for warning in case.warnings:
        put_line(f"warning: {warning}")
    for variant in case.variants:
        for warning in variant.case.warnings:
            if warning not in case.warnings:
                put_line(f"warning: {label('variant', variant.name)}: {warning}")
    for assumption in case.assumptions:
        put_line(f"assumed: {assumption}")
    for caution in first_cautions(case):
        put_line(f"caution: {caution}")
    put("The case is complete.")
    return DONE


def _import(arguments: argparse.Namespace) -> int:
    """Create a starter case from fabrication files, and list what they hold; coordinates stay those of the files."""
    from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
    from returnflow_geometry.fabrication.board_data.starter import source_path, starter
    from returnflow_geometry.fabrication.board_data.summary import describe
    from returnflow_geometry.fabrication.copper.connectivity import connect
    from returnflow_geometry.model.files import write_whole

    case: Path = arguments.output
    if case.exists() and not arguments.replace:
        say(f"error: -o {case}: exists. Give another name, or --replace to write over it.")
        return BAD_INPUT
    if _is_no_file(case):
        return BAD_INPUT
    table = dict(said.rpartition("=")[::2] for said in arguments.layer or ())
    for said in arguments.layer or ():
        if not (said.rpartition("=")[0] and said.rpartition("=")[2]):
            say(f"error: --layer {said}: lacks a file or a layer. Write it as FILE=L1.")
            return BAD_INPUT
    if (arguments.port or arguments.no_open) and not arguments.page:
        say("error: --port and --no-open say how the page is served. Give --page with them, or leave them out.")
        return BAD_INPUT
    data = from_fabrication(arguments.data, table=table or None, accept=arguments.accept_layers)
    table = {**dict(data.proposed), **table}
    connectivity = connect(data)
    source = source_path(arguments.data, case.parent)
    title = arguments.title or arguments.data.resolve().stem
    begun = starter(data, source, title=title, connectivity=connectivity, table=table)
    for line in describe(data, connectivity=connectivity):
        put_line(line)
    if arguments.page:
        from returnflow.live.picking_page import picking

        html, desk = picking(data, connectivity, begun, case, title=title, replace=arguments.replace)
        status = _serve(arguments, html, desk)
        if desk.unsaved:
            say("what was made on the page and not saved is lost.")
        return status
    write_whole(begun.text(), case)
    say(f"wrote {case}: complete its loops, then returnflow run {case}")
    return DONE


def _is_no_file(path: Path) -> bool:
    """Tell whether no file can be written there; it is said if so."""
    if no_file := path.is_dir() or not path.parent.is_dir():
        what = "is a folder" if path.is_dir() else "lies in a folder that does not exist"
        say(f"error: -o {path}: {what}. Give the name of a file to write.")
    return no_file


def _live(arguments: argparse.Namespace) -> int:
    """Serve a page on which contacts are dragged and currents follow; or write it as one file for any browser."""
    from returnflow.live.page import class_page, live_page
    from returnflow_geometry.casefile.read import read_case

    page: Path | None = arguments.output
    if arguments.lessons == bool(arguments.case):
        say("error: give case files, or --lessons for those that come with the program.")
        return BAD_INPUT
    if arguments.lessons and page is None:
        say("error: --lessons writes a file. Name it with -o.")
        return BAD_INPUT
    if page is not None and _is_no_file(page):
        return BAD_INPUT
    if page is not None and page.exists() and any(page.samefile(case) for case in arguments.case if case.exists()):
        say(f"error: -o {page}: is the case itself. Give another name.")
        return BAD_INPUT
    progress = None if arguments.quiet else say
    cases = [read_case(case) for case in arguments.case]
    if _unknown_variants(arguments.variant, cases):
        return BAD_INPUT
    if arguments.lessons:
        html = class_page(progress)
    else:
        html = live_page(cases, only=arguments.variant, steady=arguments.steady, served=page is None, progress=progress)
    if page is None:
        from returnflow.live.desk import Desk

        return _serve(arguments, html, Desk(arguments.case, cases))
    html.save(page)
    say(f"wrote {page}: open it in a browser")
    return DONE


def _serve(arguments: argparse.Namespace, html: str, desk: Answers) -> int:
    """Serve a page to this machine until it is interrupted."""
    import webbrowser

    from returnflow.live.server import LiveServer, serve

    try:
        server = LiveServer(html, desk, arguments.port)
    except OSError as error:
        say(f"error: --port {arguments.port}: {error.strerror or error}. Leave it out for any free one.")
        return BAD_INPUT
    with contextlib.suppress(KeyboardInterrupt):
        put(server.address)
        sys.stdout.flush()
        say("Only this machine can open it. Ctrl-C ends it.")
        serve(server, None if arguments.no_open else webbrowser.open)
    return DONE
