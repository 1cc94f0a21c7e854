"""Commands beside the review's own: `geoqa run STEP`, one for each step, and `geoqa experience`."""

from __future__ import annotations

import json
import math
import os
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geoqa.core.errors import CallError, GeoqaError, InputError
from geoqa.core.units import counted
from geoqa.reviews.jobs import TIMEOUT_S

if TYPE_CHECKING:
    from geoqa.core.params import Parameter
    from geoqa.core.steps import Step


#: Whether a path may be read is found out by reading it: the error then says what to do.
PATH = click.Path(path_type=Path, readable=False)


class RunStep(click.Group):
    """`geoqa run STEP`: one command for each analysis step, its options made from its parameters."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the analysis steps' names."""
        from geoqa import plugins

        return list(plugins.catalogue().names("geoqa.analysis"))

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Return the command of the step called `name`."""
        from geoqa import plugins

        found = plugins.catalogue()
        if name not in found.names("geoqa.analysis"):
            return None
        return _step_command(found.find(name, "geoqa.analysis").load())


def _step_command(cls: type[Step]) -> click.Command:
    options: list[click.Parameter] = [
        click.Argument(["folder"], type=PATH),
        click.Option(["--out", "-o"], required=True, type=PATH, help="GeoPackage to write."),
    ]
    options += [_option(parameter) for parameter in cls.parameters()]

    def callback(folder: Path, out: Path, **values: Any) -> None:
        from geoqa.reviews.stored import run_step

        stated = {name: value for name, value in values.items() if value is not None}
        for line in run_step(cls, stated, folder, out):  # type: ignore[arg-type]
            say(line)

    text = (
        f"{_kept_as_set(cls.__doc__ or '')}\n\nFOLDER holds an earlier review, whose parameters hold unless others are "
        f"given here. Needs {cls.needs_said()}; gives {', '.join(cls.gives)}."
    )
    return click.Command(cls.name, params=options, callback=callback, help=text, short_help=first_line(cls))


def _kept_as_set(doc: str) -> str:
    """Return a docstring whose indented paragraphs (formulas) keep their line breaks in a help text."""
    from inspect import cleandoc

    paragraphs = cleandoc(doc).split("\n\n")
    return "\n\n".join(f"\b\n{text}" if text.startswith(" ") else text for text in paragraphs)


def _option(parameter: Parameter) -> click.Option:
    def checked(_context: click.Context, _option: click.Parameter, value: str | None) -> Any:
        if value is None:
            return None
        try:
            return parameter.parse(value)
        except ValueError as error:
            raise click.BadParameter(str(error)) from None

    flag = "--" + parameter.name.replace("_", "-")
    text = f"{parameter.help} ({parameter.rule}; default {parameter.default!r})."
    metavar = {"": "TEXT", "1": "NUMBER"}.get(parameter.unit, parameter.unit.upper())
    return click.Option([flag, parameter.name], metavar=metavar, callback=checked, help=text)


def also_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that ask for further files."""
    every = click.option(
        "--all-points", is_flag=True,
        help="The files of --also hold every point, marked, as all-points.*, not only those that may be delivered.",
    )  # fmt: skip
    formats = click.option(
        "--also", multiple=True, metavar="FORMAT,...",
        help="Also write the points that may be delivered as delivered.*: csv, landxml, dxf, gpx, kml, xlsx, geojson, "
        "geoparquet, and what plugins add; gvx and covariance hold every measurement, for an adjustment.",
    )  # fmt: skip
    return formats(every(command))


def refuse_all_of_none(also: tuple[str, ...], all_points: bool) -> None:
    """Raise CallError if every point is asked for in no file."""
    if all_points and not also:
        raise CallError("--all-points says what the files of --also hold, and none is asked for. Add --also csv.")


def first_line(cls: type[Step]) -> str:
    """Return the first line of a step's docstring."""
    return (cls.__doc__ or cls.name).strip().splitlines()[0]


#: How what stands first in a line is made to stand out, by its look.
LOOKS: dict[str, dict[str, Any]] = {
    "": {"bold": True}, "good": {"fg": "green", "bold": True}, "bad": {"fg": "red", "bold": True},
    "warn": {"fg": "yellow", "bold": True}, "soft": {"dim": True},
}  # fmt: skip


def say(text: str, err: bool = False, head: str = "", look: str = "") -> None:
    """Print text in which nothing can act on the terminal: names and messages may hold escape sequences.

    `head` is what stands before it and is made to stand out, the text where there is none, unless NO_COLOR is set
    (no-color.org) or what is printed goes to no terminal.
    """
    from geoqa.outputs.text import display_text

    safe = "\n".join(display_text(line) for line in text.split("\n"))
    safe = click.style(display_text(head), **LOOKS[look]) + safe if head else safe
    safe = click.style(safe, **LOOKS[look]) if look and not head else safe
    plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    click.echo(safe, err=err, color=False if plain else None)


def screen_width() -> int:
    """Return the columns to write in: COLUMNS where it is set, else the terminal's (40 to 120), 80 without one."""
    wide = shutil.get_terminal_size((80, 24)).columns
    return max(wide, 40) if os.environ.get("COLUMNS") else min(max(wide, 40), 120)


def tell_failed(failed: Mapping[str, str]) -> None:
    """Say what failed, where a reader of the last lines sees it."""
    from geoqa.outputs.summary import failures

    for line in failures(failed, screen_width())[:-1]:
        say(line, err=True)


def end_if_failed(failed: Mapping[str, str], before: Mapping[str, str]) -> None:
    """End with 70 if anything failed that had not failed before."""
    new = {name: reason for name, reason in failed.items() if before.get(name) != reason}
    tell_failed(new)
    if new:
        raise SystemExit(GeoqaError.exit_code)


DESKTOP_HELP = """Write the plugin that puts geoqa into the Processing toolbox of QGIS, from 3.22 on.

\b
geoqa desktop-gis --out . --zip         then: Plugins > Manage and Install Plugins > Install from ZIP

The plugin runs this geoqa as a process of its own; it can be told another: the setting GEOQA_EXE under Settings >
Options > Processing > Providers, or the variable of that name. Write it again after geoqa or a plugin of geoqa has
another version. The guide's chapter desktop-gis says more.
"""


@click.command(
    "desktop-gis", help=DESKTOP_HELP, short_help="Write the plugin that puts geoqa into a desktop GIS's toolbox."
)
@click.option("--out", "-o", required=True, type=PATH, help="Folder to write the plugin's folder into.")
@click.option("--zip", "archive", is_flag=True, help="Write the archive that the plugin manager installs.")
@click.pass_context
def desktop_gis(context: click.Context, out: Path, archive: bool) -> None:
    """Write the folder, or the archive, and say where it is."""
    import sys

    from geoqa import plugins
    from geoqa.outputs import desktop_gis as plugin

    root = context.find_root()
    assert isinstance(root.command, click.Group)
    told = {name: _helped(command) for name, command in root.command.commands.items()}
    # Not from the folder it is run in: that may hold a module of any name.
    own = [sys.executable, "-P", "-m", "geoqa"]
    files = plugin.contents(plugins.document(plugins.catalogue()), told, own, plugins.OWN)
    say(f"Wrote {plugin.write(out, files, archive=archive)}")


def _helped(command: click.Command) -> dict[str, Any]:
    options = [one for one in command.params if isinstance(one, click.Option)]
    return {
        "help": command.help or "",
        "options": {name: one.help or "" for one in options for name in one.opts if name.startswith("--")},
    }


@click.command(short_help="Read the guide: how to, what it means, when not to believe it.")
@click.argument("chapter", required=False)
@click.option("--html", type=PATH, metavar="OUT", help="Write all chapters as one page; it needs no network.")
def guide(chapter: str | None, html: Path | None) -> None:
    """List the chapters of the guide, show CHAPTER, or write all of them as one page with a search."""
    from geoqa.outputs import guide as book

    if html:
        if chapter:
            raise CallError("--html writes all chapters. Leave the chapter out, or --html.")
        if html.is_file() and book.MADE not in html.read_bytes()[: book.HEAD]:
            raise CallError(f"{html} exists and is no page of the guide. Name a new file for --html.")
        _write(html, book.page())
        say(f"Wrote {html}")
        return
    width = screen_width()
    for line in book.shown(book.chapter(chapter).text, width) if chapter else book.listing(width):
        say(line.text, head=line.head)
    if not chapter:
        more = "`geoqa guide CHAPTER` shows one; `geoqa guide --html guide.html` writes all as one page."
        say("\n" + click.wrap_text(more, width))


JOBS_HELP = """Review all jobs below the folder ROOT, and make an overview of them.

\b
geoqa jobs jobs --out overview
geoqa jobs jobs --out overview --pool --workers 8

A job is a recipe (a TOML file with a table [site]) that names its `files` under [input]. Its result is written to
result/ beside it (result-NAME/ where a folder holds several recipes). What is reviewed already and would come out the
same is left as it is, a job that failed too; killed at any moment, the next run goes on.

Writes into the folder OUT: overview.html (a map, a table and charts), jobs.csv and jobs.parquet (a row a job),
experience.json (what the jobs taught) and jobs.jsonl (what became of each).
"""
#: Ends of the command.
JOBS_ENDS = "Exit codes: 0 all jobs are reviewed; 1 some failed, see the column message; 2 the call is wrong."


@click.command(help=JOBS_HELP, epilog=JOBS_ENDS, short_help="Review all jobs below a folder, with an overview.")
@click.argument("root", type=PATH)
@click.option("--out", "-o", required=True, type=PATH, help="Folder of the overview; made if it is not there.")
@click.option("--results", type=PATH, metavar="DIR", help="Write results below this folder, not beside the recipes.")
@click.option("--workers", type=click.IntRange(1, 1000), help="Jobs at a time; by default as many as there are cores.")
@click.option("--scheduler", metavar="tcp://...", help="A dask scheduler whose workers review the jobs.")
@click.option("--files", multiple=True, metavar="NAME,...", help="Write only these, as for `geoqa review`.")
@click.option(
    "--timeout", type=click.FloatRange(0, min_open=True), default=TIMEOUT_S, show_default=True, metavar="S",
    help="Seconds after which a job is given up.",
)  # fmt: skip
@click.option("--memory", type=click.FloatRange(100), metavar="MB", help="Memory beyond which a job is given up.")
@click.option("--again", is_flag=True, help="Review all, not only what changed.")
@click.option("--experience", type=PATH, metavar="FILE", help="Use this experience for all, whatever recipes name.")
@click.option("--pool", is_flag=True, help="Judge each job with what the others taught, itself left out.")
def jobs(
    root: Path, out: Path, results: Path | None, workers: int | None, scheduler: str | None, files: tuple[str, ...],
    timeout: float, memory: float | None, again: bool, experience: Path | None, pool: bool,
) -> None:  # fmt: skip
    """Review what is below a folder, and print what became of it."""
    from geoqa.core import experience as kept
    from geoqa.outputs import overview
    from geoqa.reviews import jobs as many
    from geoqa.reviews import review

    if workers and scheduler:
        raise CallError("--workers says how many jobs run at a time here, --scheduler has its own. Give one of them.")
    if experience and pool:
        raise CallError("--experience says what to use, --pool that these jobs teach each other. Give one of them.")
    if memory and math.isnan(many.in_use_mb(os.getpid())):
        raise CallError("--memory needs psutil here: pip install 'geoqa-survey[cluster]'.")
    if experience:
        kept.read(experience)
    wish = many.Wish(review.chosen(files) if files else (), timeout, memory, again, experience, pool)
    found = many.found(root, results, (out,))
    if not found:
        raise CallError(f"{root}: no recipe is there. A job is a TOML file with a table [site] and `files` in [input].")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CallError(f"{out}: cannot be made: {error.strerror}. Name another folder for --out.") from error
    rows, notes = many.run(
        found, out, wish, workers or os.cpu_count() or 1, scheduler, lambda line: say(line, err=True)
    )
    table = overview.table(rows)
    written = overview.write(out, table, root.resolve().name, notes)
    failed = [row for row in rows if row["exit_code"] > 1]
    held = sum(row["exit_code"] == 1 for row in rows)
    sound = len(rows) - len(failed) - held
    say(f"{counted(len(rows), 'job')}: {sound} without findings, {held} with, {len(failed)} failed")
    for row in failed[:MOST_FAILED]:
        say(f"  {row['folder']}/{row['recipe']}: {row['message']}")
    if len(failed) > MOST_FAILED:
        say(f"  and {len(failed) - MOST_FAILED} more in jobs.csv")
    for note in (*notes, *table.attrs["messages"]):
        say(f"Note: {note}")
    for path in written:
        say(f"Wrote {path}")
    raise SystemExit(int(bool(failed)))


#: Failed jobs that are listed at the end.
MOST_FAILED = 20


@click.group(short_help="Keep what earlier jobs taught, for the jobs to come.")
def experience() -> None:
    """Keep what earlier jobs taught in a file that recipes name under [experience]."""


@experience.command()
@click.argument("results", nargs=-1, required=True, metavar="RESULT...", type=PATH)
@click.option("--to", "target", required=True, type=PATH, help="The experience file; made if it is not there.")
@click.option("--group", help="Receiver, crew or network of these jobs, as [experience] group asks for it.")
def add(results: tuple[Path, ...], target: Path, group: str | None) -> None:
    """Add finished reviews (output folders). A job that is there already, with fewer rows, is replaced."""
    from geoqa.core import experience as kept

    content = kept.read(target) if target.exists() else kept.nothing()
    taught = {}
    for folder in results:
        path = folder / "run.json" if folder.is_dir() else folder
        try:
            run = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise InputError(f"{path}: cannot be read as the record of a review: {error}.") from error
        job = kept.taught(run, str(path))
        if job["classes"]:
            taught[folder] = job
        else:
            say(f"{folder}: not added, it teaches nothing: no row of it has a canopy class")
    made = kept.add_all(content, [(job, group) for job in taught.values()])
    for folder, (name, before, fault) in zip(taught, made, strict=True):
        if fault:
            raise InputError(f"{folder}: {fault} Nothing was added to {target}.")
        say(f"{folder}: job {name}" + (f", in place of {before}" if before else ""))
    _keep(target, content)
    state = kept.state(content)
    say(f"{target}: {counted(len(state['jobs']), 'job')}, state {state['hash']}")


@experience.command()
@click.argument("file", type=PATH)
@click.option("--as-of", metavar="DATE|HASH", help="An earlier state.")
@click.option("--plot", type=PATH, metavar="FILE.svg", help="Draw ratios and wrong fixes by month.")
def show(file: Path, as_of: str | None, plot: Path | None) -> None:
    """Print a line for each job and class: what its pairs show, and where months or groups differ."""
    from geoqa.core import experience as kept

    content = kept.read(file)
    state = kept.state(content, as_of)
    say(f"{counted(len(state['jobs']), 'job')}, state {state['hash']} of {state['date']}")
    say(f"{'job':<9} {'month':<8} {'group':<12} {'cover':<24} {'ratio':>6} {'height':>6} {'wrong fixes':>15}")
    table = kept.frame(content, state["jobs"])
    for row in table.itertuples(index=False):
        ratios = [
            f"{(total / freedom) ** 0.5:.2f}" if freedom else "-"
            for total, freedom in ((row.total_h, row.freedom_h), (row.total_v, row.freedom_v))
        ]
        month, group, solution = (
            text if isinstance(text, str) else "" for text in (row.month, row.group, row.solution)
        )
        cover = row.canopy + (f", {solution}" if solution else "")
        wrong = f"{row.wrong:.1f} of {row.fixes:.0f}"
        say(
            f"{row.job:<9} {month or '-':<8} {(group or '-')[:12]:<12} {cover[:24]:<24} {ratios[0]:>6} "
            f"{ratios[1]:>6} {wrong:>15}"
        )
    for line in kept.differences(table):
        say(line)
    if plot:
        from geoqa.outputs.plots import closures

        _write(plot, closures.figure(table).svg)


@experience.command()
@click.argument("file", type=PATH)
@click.argument("job")
def remove(file: Path, job: str) -> None:
    """Leave a job out from now on; earlier states keep it, so that verdicts can be repeated."""
    from geoqa.core import experience as kept

    content = kept.read(file)
    kept.remove(content, job)
    _keep(file, content)
    say(f"{file}: {counted(len(kept.current(content)), 'job')}, state {kept.state(content)['hash']}")


def _keep(path: Path, content: Mapping[str, Any]) -> None:
    from geoqa.core import experience as kept

    _write(path, kept.as_text(content))


def _write(path: Path, text: str) -> None:
    """Write the file whole or not at all."""
    from geoqa.outputs import folder

    with folder.replacing_file(path) as staging:
        staging.write_text(text, encoding="utf-8")
