"""The ``plyflat`` command: reads arguments, calls the rooms, prints."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .errors import JobError, PlyflatError

if TYPE_CHECKING:
    from .planned import Plan
    from .progress import Tell

app = typer.Typer(
    add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False, rich_markup_mode=None
)

MeshFile = Annotated[Path, typer.Argument(help="STL, OBJ, PLY, GLB, 3MF or OFF file", show_default=False)]
Unit = Annotated[str | None, typer.Option(help="the mesh's unit of length: m, cm, mm, in or ft")]


def _version(show: bool) -> None:
    if show:
        from . import __version__

        typer.echo(f"plyflat {__version__}")
        raise typer.Exit


@app.callback()
def about(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True)] = False,
) -> None:
    """From a scan of a hull to cut cloth, bag layers and a job sheet."""


@app.command()
def new(
    mesh: MeshFile,
    output: Annotated[Path, typer.Option("-o", "--output", help="the job file to write", show_default=False)],
    unit: Unit = None,
) -> None:
    """Write a commented starter job for a mesh."""
    from .job.starter import starter_job
    from .surface.load import load_surface
    from .surface.suggest import flattest_outline

    if output.exists():
        raise PlyflatError("the file is already there", where=str(output), do="Name another, or move it.")
    surface = load_surface(mesh, unit=unit)
    text = starter_job(
        mesh,
        job_path=output,
        unit=unit,
        size_mm=surface.size_mm,
        has_colours=surface.colors is not None,
        outline_mm=flattest_outline(surface),
    )
    _write_text(output, text)
    typer.echo(
        f"{output}: starter job; put your own region, cloths and rolls in, then: plyflat plan {output} -o out/"
    )


@app.command()
def inspect(mesh: MeshFile, unit: Unit = None) -> None:
    """Say what a mesh file holds, what is wrong with it and what repair would do."""
    from .surface.inspect import inspect_mesh

    for line in inspect_mesh(mesh, unit=unit).lines():
        typer.echo(line)


@app.command()
def plan(
    job: Annotated[Path, typer.Argument(help="the job file (TOML)", show_default=False)],
    output: Annotated[
        Path, typer.Option("-o", "--output", help="folder for the results", show_default=False)
    ],
    pictures: Annotated[bool, typer.Option(help="draw pictures for the report")] = True,
) -> None:
    """Work a job out and write everything: cut files, lists, pictures and the report."""
    from .export.write import check_folder, write_plan
    from .plan import make_plan

    check_folder(output)
    with _progress() as tell:
        planned = make_plan(job, progress=tell)
        files = write_plan(planned, output, pictures=pictures, progress=tell)
    for line in summary(planned, output, len(files)):
        typer.echo(line)


@app.command()
def page(
    target: Annotated[
        Path | None, typer.Argument(help="job file, mesh file or folder; left out: this folder", show_default=False)
    ] = None,
    unit: Unit = None,
    port: Annotated[int, typer.Option(help="port to listen on; 0 for any that is free")] = 0,
    host: Annotated[str, typer.Option(help="address to listen on; others than this machine's own let others in")] = "127.0.0.1",
    browser: Annotated[bool, typer.Option(help="open the page in the browser")] = True,
) -> None:
    """Show a job's hull in the browser: mark regions, choose plies, work it out. A mesh gets a first job written beside it."""
    from .page.app import serve

    serve(target, unit=unit, port=port, host=host, open_browser=browser)


@app.command()
def record(
    job: Annotated[Path, typer.Argument(help="the job file (TOML)", show_default=False)],
    written: Annotated[
        list[str] | None, typer.Argument(metavar="[FIELD=VALUE]...", help='such as resin_weighed="640 g"', show_default=False)
    ] = None,
    region: Annotated[str | None, typer.Option(help="the region it belongs to", show_default=False)] = None,
    session: Annotated[int | None, typer.Option(help="counts from 1; the last one if left out", show_default=False)] = None,
    results: Annotated[Path | None, typer.Option("--from", help="TOML file with fields", show_default=False)] = None,
    plan_folder: Annotated[
        Path | None, typer.Option("--plan", help="folder of the plan, to set against what happened", show_default=False)
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="write all rows of all jobs to this CSV file", show_default=False)] = None,
) -> None:
    """Keep what really happened beside the job, and set it against the plan; without fields, show what there is."""
    from .recording import Given, keep, shown, write_csv

    given = Given(tuple(written or ()), region, session, results, plan_folder)
    for line in keep(job, given):
        typer.echo(line)
    for line in shown(job):
        typer.echo(line)
    if csv is not None:
        typer.echo(f"{write_csv(job, csv)} rows in {csv}")


@app.command()
def schema(
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="file to write instead of printing")
    ] = None,
) -> None:
    """Print the JSON Schema of job files, for editors that complete and check them."""
    import json

    from .job.schema import job_schema

    text = json.dumps(job_schema(), indent=2) + "\n"
    if output is None:
        typer.echo(text, nl=False)
    else:
        _write_text(output, text)


def summary(planned: Plan, folder: Path, files: int) -> Iterator[str]:
    """Yield the lines that close a run: rolls, pieces, strain, cautions and where the files are.

    Parameters
    ----------
    planned : Plan
    folder : Path
    files : int
        How many were written.
    """
    from .units import say_percent

    yield planned.job.name
    for roll in planned.rolls:
        used = f"{roll.length_mm / 1000:.2f} m of {roll.widths} mm roll" if roll.lays else ""
        count = sum(len(lay.places) for lay in roll.lays)
        share = roll.cut_area_mm2 / roll.used_area_mm2 if roll.used_area_mm2 else 0.0
        yield f"  {roll.material:24} {count:3} piece{'s' if count != 1 else ' '}  {used}, {say_percent(share)} used"
    for region in planned.regions:
        for ply in region.plies:
            s = ply.strain
            yield (
                f"  {region.name} {ply.name}: {len(ply.templates)} piece{'s' * (len(ply.templates) != 1)}, {ply.area_mm2 / 1e6:.3f} m², strain at most "
                f"{say_percent(s.largest)}, 99 % of the area under {say_percent(s.p99)}, {say_percent(s.over_share)} of the area over {say_percent(s.limit)}"
            )
    for caution in planned.cautions:
        where = f"{caution.where}: " if caution.where else ""
        yield f"  ! {where}{caution.text}." + (f" {caution.do}" if caution.do else "")
    yield f"{files} files in {folder}; start with {folder / 'report.html'}"


@contextmanager
def _progress() -> Iterator[Tell | None]:
    """Yield a progress callback that draws on a terminal, and nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def tell(stage: str, done: float) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=1.0)
            bar.update(tasks[stage], completed=done)

        yield tell


def _write_text(path: Path, text: str) -> None:
    from .errors import OutputError

    try:
        path.write_text(text, encoding="utf-8")
    except OSError as err:
        raise OutputError(f"cannot be written: {err.strerror}", where=str(path)) from err


def main() -> int:
    """Run the command; every fault a user can cause ends in one clear line and exit code 2."""
    # The sparse solver calls BLAS on small blocks, where its threads cost more than they bring. Set before numpy loads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = app(standalone_mode=False)
    except JobError as err:
        _say(f"{err.where}: {len(err.faults)} fault{'s' * (len(err.faults) != 1)}")
        for fault in err.faults:
            _say(f"  {fault}")
        return 2
    except PlyflatError as err:
        _say(str(err))
        return 2
    except (typer.Abort, KeyboardInterrupt):
        _say("stopped; nothing was written")
        return 130
    except Exception as err:  # noqa: BLE001 - the one place that may catch everything
        import traceback

        if hasattr(err, "format_message"):  # the command line itself was wrong
            _say(err.format_message())
            return 2
        traceback.print_exc()
        _say(f"internal fault ({type(err).__name__}); please report it with the lines above")
        return 3
    return int(code or 0)


def _say(line: str) -> None:
    typer.echo(f"plyflat: {line}", err=True)
