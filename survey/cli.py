"""The commands: parse, call the library, print."""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import traceback
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from survey.errors import StorageError, SurveyError

STOPPED = 130  # exit code of a command that Ctrl-C ended, as shells have it
FAULT = 70  # exit code of a fault of the program itself, EX_SOFTWARE of BSD's sysexits.h


class WordedErrors(TyperGroup):
    """A user's mistake is one line on stderr and an exit code, in the shell and in tests alike."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command; turn a SurveyError into its sentence and exit code."""
        try:
            return super().invoke(ctx)
        except SurveyError as error:
            for problem in error.problems:
                typer.echo(f"survey: {problem}", err=True)
            raise typer.Exit(error.exit_code) from error
        except KeyboardInterrupt as stop:
            typer.echo("survey: stopped; no file is left half-written", err=True)
            raise typer.Exit(STOPPED) from stop


# Plain help: the same text in every terminal, so that docs can be compared with it.
app = typer.Typer(
    cls=WordedErrors,
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Measure low-slope roof planes from photos with a printed target, levels and tapes.",
)

VisitDir = Annotated[Path, typer.Argument(help="Visit folder.", show_default=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Print machine-readable JSON on stdout.")]
Strict = Annotated[
    bool, typer.Option("--strict", help="Exit with 1 if a finding asks for a second look.")
]


class UnitSystem(StrEnum):
    """How lengths are written out."""

    US = "us"
    METRIC = "metric"


Units = Annotated[UnitSystem | None, typer.Option(help="us or metric; default: as the visit says.")]


def main() -> None:
    """Run the command line; a fault of the program is told apart from a fault of the input."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without ± or ° prints the rest
    try:
        app()
    except Exception:
        traceback.print_exc()
        typer.echo(
            "survey: this is a fault of the program, not of your visit; report it with the lines "
            "above",
            err=True,
        )
        sys.exit(FAULT)


def _tell(stage: str) -> None:
    """Say to somebody who waits at a terminal what is being done."""
    if sys.stderr.isatty():
        typer.echo(f"{stage} ...", err=True)


def _print(text: object) -> None:
    """Print to stdout, which may be a file on a full disk."""
    try:
        typer.echo(text)
    except BrokenPipeError:
        raise  # whoever read has read enough
    except OSError as error:
        with contextlib.suppress(OSError, ValueError):  # what is left must not fail again at exit
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise StorageError(
            f"the output could not be written ({(error.strerror or 'no reason given').lower()})",
            where="stdout",
            cure="check where it is sent to, and the space left there",
        ) from error


def _print_json(value: Any) -> None:
    _print(json.dumps(value, indent=2, allow_nan=False))


@app.command()
def begin(folder: Annotated[Path, typer.Argument(help="New folder.", show_default=False)]) -> None:
    """Write a commented example visit that measures as it stands.

    The visit is named for the folder, which must not exist or be empty; nothing is ever
    overwritten.

    Example: survey begin my-visit && survey measure my-visit
    """
    from survey.visit import begin_visit

    for path in begin_visit(folder):
        _print(path)


@app.command()
def target(
    code: Annotated[
        str, typer.Argument(help="Sheet: size and number, as letter-1, a3-2, board-24-1.")
    ],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="PDF to write.")] = None,
    paper: Annotated[
        str | None, typer.Option(help="Paper that a tiled board is printed on: letter or a4.")
    ] = None,
) -> None:
    """Write a print-ready target sheet as PDF, with mounting notes.

    Print at 100 % ("actual size"), then tape both check lines and write what you read into
    visit.toml. Two targets of one visit need different numbers.

    Example: survey target tabloid-1 -o target.pdf
    """
    from survey.target import write_sheet

    path = out or Path(f"{code}.pdf")
    write_sheet(path, code, paper=paper)
    _print(path)


@app.command()
def calibrate(
    photos: Annotated[
        Path, typer.Argument(help="Folder of photos of one printed sheet.", show_default=False)
    ],
    sheet: Annotated[str, typer.Option(help="The sheet's code, as tabloid-1.")],
    across: Annotated[
        str | None, typer.Option(help="Check line across, as taped: 9 1/2 in, 241 mm.")
    ] = None,
    down: Annotated[str | None, typer.Option(help="Check line down, as taped.")] = None,
    out: Annotated[Path, typer.Option("--out", "-o", help="File to write.")] = Path(
        "phone.camera.json"
    ),
) -> None:
    """Measure a phone's camera, once, from photos of one sheet.

    Lay or hang the sheet flat and take a dozen photos that fill half the picture, from the front,
    tilted to every side and turned upright. The file is named in visit.toml.

    Example: survey calibrate phone-photos --sheet tabloid-1 -o phone.camera.json
    """
    from survey.calibration import calibrate_camera
    from survey.photo import write_calibration
    from survey.units import parse_length

    lines = [
        None if text is None else parse_length(text, where=where)
        for text, where in ((across, "--across"), (down, "--down"))
    ]
    calibration, remarks = calibrate_camera(photos, sheet, across=lines[0], down=lines[1])
    write_calibration(out, calibration)
    for remark in remarks:
        typer.echo(remark, err=True)
    _print(
        f"{out}: focal length {calibration.focal:.1f} ± {1.96 * calibration.focal_sd:.1f} px "
        f"from {len(calibration.photos)} photos, {calibration.rms_px:.2f} px rms"
    )


@app.command()
def check(visit_dir: VisitDir, as_json: AsJson = False) -> None:
    """Say on site whether photos and readings are enough.

    Photo by photo: what was found in it and what speaks against it. Then what is measured so far,
    and which mark or reading would help most. Nothing is written. Exit code 3: nothing could be
    measured yet.

    Example: survey check sample_images/porch
    """
    from survey.check import check_visit, format_check
    from survey.visit import open_visit

    state = check_visit(open_visit(visit_dir), tell=_tell)
    if as_json:
        _print_json(state.as_document())
    else:
        _print(format_check(state))
    raise typer.Exit(0 if state.measurable else 3)


@app.command()
def page(
    visit_dir: VisitDir,
    port: Annotated[int, typer.Option(help="Port on this machine; 0 takes a free one.")] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address, open nothing.")
    ] = False,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let a phone on the same network send photos.")
    ] = False,
) -> None:
    """Open a page to mark photos and watch the roof appear.

    The page runs on this machine only and needs no internet. Everything is saved as it is done;
    marks.json, readings.csv and visit.toml change, photos never do. A folder that has no
    visit.toml yet is begun with an empty one. Stop it with Ctrl-C.

    Example: survey page sample_images/porch
    """
    from survey.web.serving import open_page

    opened = open_page(visit_dir, port=port, lan=lan)
    _print(opened.address)
    if opened.phone is not None:
        _print(opened.phone.code_text())
    if not no_browser:
        typer.launch(opened.address)
    opened.serve()


@app.command()
def measure(
    visit_dir: VisitDir, strict: Strict = False, as_json: AsJson = False, units: Units = None
) -> None:
    """Measure every plane of a visit and write the plane file.

    The photos, marks and readings are adjusted together; NAME.planes.json is written beside
    visit.toml. Exit code 3: too little observed to measure anything.

    Example: survey measure sample_images/porch
    """
    import survey

    plane_file = survey.measure(survey.open_visit(visit_dir), tell=_tell)
    path = survey.write_plane_file(plane_file, visit_dir)
    _print_plane_file(plane_file, as_json, units)
    typer.echo(f"written: {path}", err=True)
    raise typer.Exit(1 if strict and plane_file.second_looks else 0)


@app.command()
def show(
    file: Annotated[
        Path, typer.Argument(help="Plane file, or a visit folder with one.", show_default=False)
    ],
    as_json: AsJson = False,
    units: Units = None,
) -> None:
    """Print a plane file as an estimator reads it.

    Example: survey show sample_images/porch
    """
    from survey.planefile import find_plane_file, read_plane_file

    _print_plane_file(read_plane_file(find_plane_file(file)), as_json, units)


@app.command()
def verify(
    file: Annotated[
        Path, typer.Argument(help="Plane file, or a visit folder with one.", show_default=False)
    ],
) -> None:
    """Tell whether photos and plane file are unchanged.

    Exit code 2 when anything differs, with what.

    Example: survey verify sample_images/porch
    """
    from survey.planefile import find_plane_file, read_plane_file, verify_plane_file

    file = find_plane_file(file)
    for line in verify_plane_file(read_plane_file(file), file.parent):
        _print(line)


def _print_plane_file(plane_file: Any, as_json: bool, units: str | None) -> None:
    from survey.planefile import format_plane_file

    if as_json:
        _print_json(plane_file.document)
    else:
        _print(format_plane_file(plane_file, units=units))
