"""The command line: commands, options, progress and standard input. Nothing heavy is imported before a command runs.

``-`` in place of a file: what comes in by standard input, kept in a file for as long as it is read.

A run as the terminal sees it: the stage it is at, and the signal that ends it.
"""

from __future__ import annotations

import contextlib
import errno
import gc
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from geoqa.commands import (
    PATH,
    RunStep,
    also_options,
    desktop_gis,
    end_if_failed,
    experience,
    first_line,
    guide,
    jobs,
    refuse_all_of_none,
    say,
    screen_width,
    tell_failed,
)
from geoqa.core.errors import CallError, GeoqaError, InputError
from geoqa.core.input_files import LARGEST_MB
from geoqa.reviews import beside
from geoqa.reviews.jobs import RESULT, forget_peak, peak_mb

if TYPE_CHECKING:
    from geoqa.core.steps import Step
    from geoqa.reviews.review import Review


#: When this began, for what a run takes.
BEGAN = time.monotonic()
#: What the input is called in messages, frames and ``[[file]]``.
NAME = "standard-input"


@contextmanager
def standard_input_files(paths: Sequence[Path]) -> Iterator[tuple[Path, ...]]:
    """Give the paths with ``-`` replaced by a file that holds what came in, removed afterwards.

    Raises
    ------
    CallError
        If ``-`` stands there more than once: there is one standard input.
    InputError
        If nothing comes in, or nothing can.
    """
    given = [str(path) for path in paths]
    if given.count("-") > 1:
        raise CallError("- (standard input) was named twice. Name it once; give the other input as a file.")
    if "-" not in given:
        yield tuple(paths)
        return
    if sys.stdin is None:
        raise InputError("- (standard input) is closed: nothing can come in. Give a file, or what writes one before |.")
    with tempfile.TemporaryDirectory(prefix="geoqa-") as folder:
        kept = Path(folder) / NAME
        with kept.open("wb") as file:
            while part := sys.stdin.buffer.read(1 << 20):
                if file.tell() + len(part) > LARGEST_MB * 1e6:
                    problem = f"is larger than {LARGEST_MB:g} MB. Save it as a file, and name that."
                    raise InputError(f"- (standard input) {problem}")
                file.write(part)
        if not kept.stat().st_size:
            raise InputError("- (standard input) is empty: nothing came in. Give a file, or what writes one before |.")
        yield tuple(kept if str(path) == "-" else path for path in paths)


class Progress:
    """Names the stage on the error stream once a run takes longer than two seconds, or every one; keeps what it took.

    A stage lasts until the same thread begins another: files may be written side by side. Memory that only a collector
    finds again is left alone for those two seconds: a small site is done by then, and a tenth sooner.
    """

    def __init__(self, every: bool = False) -> None:
        self._every, self._last = every, BEGAN
        self._current: dict[int, tuple[str, float, float]] = {threading.get_ident(): ("start", BEGAN, 0.0)}
        self._took: list[tuple[str, float, float, float]] = []
        gc.disable()
        forget_peak()

    def __call__(self, stage: str) -> None:
        """Name the stage that begins, a line a second at most unless every one is asked for."""
        now = time.monotonic()
        self._end(now)
        if now - BEGAN > 2 and not gc.isenabled():
            gc.freeze()  # what is there by now, libraries above all, stays
            gc.enable()
        self._current[threading.get_ident()] = (stage, now, time.thread_time())
        if self._every or (now - BEGAN > 2 and now - self._last > 1):
            self._last = now
            say(f"{now - BEGAN:6.1f} s  {stage}", err=True)

    def _end(self, now: float) -> None:
        begun = self._current.pop(threading.get_ident(), None)
        if begun:
            name, wall, used = begun
            self._took.append((name, now - wall, time.thread_time() - used, peak_mb()))
            forget_peak()

    def table(self) -> list[str]:
        """Return how long each stage took, what of it the processor worked, and the most memory in use meanwhile.

        The processor's seconds are those of the stage's own thread; the last line has those of all threads, and of the
        copies of this process that worked beside it, with the most memory that one of them added.
        """
        now = time.monotonic()
        self._end(now)
        most = max(peak for *_, peak in self._took)
        beside_s, beside_mb = beside.took()
        rows = [*self._took, ("all", now - BEGAN, time.process_time() + beside_s, most + beside_mb)]
        wide = max(len(name) for name, *_ in rows)
        lines = [f"{name:{wide}} {wall:9.2f} {used:9.2f} {peak:9.0f}" for name, wall, used, peak in rows]
        return [f"{'stage':{wide}} {'seconds':>9} {'CPU s':>9} {'peak MB':>9}", *lines]


class Terminated(KeyboardInterrupt):
    """The system asks to end: cleaned up after like Ctrl-C."""


@contextlib.contextmanager
def terminating() -> Iterator[None]:
    """Turn the signal to terminate into an exception, so that a half-written folder is removed."""

    def stop(*_: object) -> None:
        raise Terminated

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


CAUTION = (
    "geoqa reviews internal evidence; it does not certify. Precision is not accuracy, and occupations that share a "
    "base, an antenna height, a pole or a network do not show their common error."
)
#: Ends of a run that was stopped from outside: by Ctrl-C, by a signal to terminate.
INTERRUPTED, TERMINATED = 130, 143
EXIT_CODES = """\b
Exit codes: 0 every point that is not single by plan may be delivered;
1 there are findings; 2 the input or the call is wrong; 3 a coordinate
operation was refused; 70 an error inside geoqa, or a step or a plugin
that failed: then all that does not rest on it is written."""


@click.group(
    help="Review a whole site of repeated RTK occupations: which points to deliver, which to observe again.",
    epilog=f"{EXIT_CODES}\n\n{CAUTION}",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="geoqa-survey", prog_name="geoqa")
def cli() -> None:
    """Hold the commands together."""


REVIEW_HELP = """Review a site: occupations in, judged points and a map out.

\b
geoqa recipe occupations.csv -o site.toml           propose a recipe; fill in what it asks
geoqa review occupations.csv -r site.toml -o out    review
geoqa review site.toml                              the same, of the files that the recipe names as
                                                    `files` under [input], into result/ beside it

Reads delimited text, LandXML, GeoPackage, GeoJSON, Shapefile, FlatGeobuf, GeoParquet and XLSX, one
occupation a row, and receivers' logs (NMEA 0183); several files make one site. INPUT may be - for standard
input; text, logs and LandXML may be compressed with gzip. The folder of an earlier review stands for the
files that it was made of:

\b
geoqa review out tuesday.csv -r site.toml -o out2   and says what changed since

Writes into the folder OUT:

\b
report.html   the report, the client's page first (and report.pdf, with the extra `report`)
map.html      the site in a browser, no network needed
points.csv    coordinates, uncertainty, status, what to deliver
record.csv    of each point, on a line: its visits, closures, check shots, the procedure
revisits.html field sheet: what to observe again, how and when; .gpx and .csv beside it
review.gpkg   everything, as layers for a desktop GIS
run.json      what was read, with which recipe, by which versions

If anything fails, an earlier result in OUT stays as it was; what is not geoqa's there is never touched. Map, report
and field sheet print the same id where they are of the same review.
"""


VERBOSE = click.option(
    "--verbose", "-v", is_flag=True, help="Print the whole summary with every note, and name every stage as it begins."
)


@cli.command(epilog=EXIT_CODES, help=REVIEW_HELP, short_help="Review a site: judge every point, draw the map.")
@click.argument("inputs", nargs=-1, required=True, metavar="INPUT...", type=PATH)
@click.option("--recipe", "-r", type=PATH, help="The recipe (TOML) of the job, where it is not among the INPUTs.")
@click.option("--out", "-o", type=PATH, help="Folder for the results; by default result beside the recipe.")
@click.option(
    "--apply-shift", "shifts", multiple=True, metavar="NAME",
    help="Take this suspicious shift off the occupations, then judge; may be given again. Recorded and printed.",
)  # fmt: skip
@also_options
@click.option(
    "--files", multiple=True, metavar="NAME,...",
    help="Write only these: map, gpkg, csv, report, sheet (by default all of them), and plots, those of the report as "
    "SVG; run.json always. Files of another review in OUT go; of the same one they stay.",
)  # fmt: skip
@click.option(
    "--since", type=PATH, metavar="FOLDER",
    help="Compare with this earlier review; by default with the one among the INPUTs, if there is one.",
)  # fmt: skip
@click.option(
    "--decisions", type=PATH, metavar="FILE",
    help="The reviewer's decisions, in place of the file that the recipe names under [decisions].",
)  # fmt: skip
@click.option(
    "--experience-as-of", "as_of", metavar="DATE|HASH",
    help="Use the experience as it was on this day, or its state of this hash (it stands in run.json).",
)  # fmt: skip
@VERBOSE
@click.option("--profile", is_flag=True, help="At the end, print the seconds and the peak of memory of each stage.")
def review(
    inputs: tuple[Path, ...],
    recipe: Path | None,
    out: Path | None,
    shifts: tuple[str, ...],
    also: tuple[str, ...],
    all_points: bool,
    files: tuple[str, ...],
    since: Path | None,
    decisions: Path | None,
    as_of: str | None,
    verbose: bool,
    profile: bool,
) -> None:
    """Run the review and print its summary."""
    from geoqa.outputs.folder import own
    from geoqa.reviews.review import asked, chosen, refuse_loss, with_decisions
    from geoqa.reviews.review import review as run_review

    refuse_all_of_none(also, all_points)
    inputs, recipe = _told_apart(inputs, recipe)
    out = out or recipe.parent / RESULT
    further = asked(also, recipe, all_points) if also else None  # before an hour's work, not after it
    refuse_loss(out, (*inputs, recipe), further.names() if further else (), chosen(files))
    before, progress = own(out), Progress(verbose)
    with standard_input_files(inputs) as paths:
        stated = recipe if decisions is None else with_decisions(recipe, decisions)
        made = run_review(paths, stated, progress, shifts, since, as_of)
    written = made.write(out, progress, also, all_points, files)
    progress("summary")
    _print(made, written, verbose)
    for line in progress.table() if profile else ():
        say(line, err=True)
    if gone := [name for name in sorted(before) if not (out / name).exists()]:
        say(f"Removed, of an earlier review: {', '.join(gone)}")
    for note in further.notes(made.frames) if further else ():
        say(f"Note: {note}")
    tell_failed(made.failed)
    raise SystemExit(made.exit_code)


def _told_apart(given: tuple[Path, ...], recipe: Path | None) -> tuple[tuple[Path, ...], Path]:
    """Return the inputs and the recipe; where none is named as such, the one TOML file with a table [site] is it."""
    from geoqa.readers.recipe.recipe import is_recipe

    recipes = [path for path in given if is_recipe(path)] if recipe is None else [recipe]
    if len(recipes) == 1:
        return tuple(path for path in given if path not in recipes), recipes[0]
    if recipes:
        raise CallError(f"{recipes[0]} and {recipes[1]} are both recipes. Name one of them, and the data beside it.")
    call = f"geoqa review {given[0]} --recipe site.toml"
    raise CallError(f"no recipe was given. Name it: {call}. `geoqa recipe {given[0]}` proposes one.")


@cli.command(short_help="Write an invented site and review it.")
@click.argument("out", type=PATH)
@click.option("--logs", is_flag=True, help="Also three receiver logs in OUT/logs, reviewed, with plots.")
@VERBOSE
def demo(out: Path, logs: bool, verbose: bool) -> None:
    """Write an invented site into OUT and review it there.

    Makes occupations.csv, checks.csv and site.toml, a recipe with comments to start your own from, and reviews
    them. The site has findings on purpose: false fixes, a mistyped antenna height, a wrong point name,
    bad rows. The command ends with 0 all the same.
    """
    from geoqa.demo import files
    from geoqa.outputs.folder import placing
    from geoqa.reviews.review import refuse_loss
    from geoqa.reviews.review import review as run_review

    progress = Progress(verbose)
    refuse_loss(out, ())
    with placing(out) as staging:
        files.write_site(staging)
        _refuse_changed(out, staging)
    made = run_review([out / "occupations.csv"], out / "site.toml", progress)
    written = made.write(out, progress)
    _print(made, written, verbose)
    say(f"A demonstration: it ends with 0; `geoqa review` of these data would end with {made.exit_code}.")
    say(f"Open {out / 'map.html'} in a browser; it needs no network.")
    if logs:
        _demo_logs(out / "logs", progress, verbose)


def _demo_logs(folder: Path, progress: Progress, verbose: bool) -> None:
    """Write the receiver logs of the demo into a folder, review and plot them there."""
    from geoqa.demo import files
    from geoqa.outputs.folder import placing
    from geoqa.outputs.plots import style
    from geoqa.reviews import output_steps
    from geoqa.reviews.review import refuse_loss
    from geoqa.reviews.review import review as run_review

    refuse_loss(folder, ())
    with placing(folder) as staging:
        names = [path.name for path in files.write_logs(staging)]
        _refuse_changed(folder, staging)
    made = run_review([folder / name for name in names], folder / "logs.toml", progress)
    _print(made, made.write(folder, progress), verbose)
    if not style.is_installed():
        say("No plots: matplotlib is not installed (pip install 'geoqa-survey[plots]').")
        return
    written, _ = output_steps.write(folder / "plots", made.frames, made.job, progress=progress, review_id=made.id)
    say(f"{len(written)} plots in {folder / 'plots'}")


@cli.command(short_help="Propose a recipe for files of occupations.")
@click.argument("files", nargs=-1, required=True, type=PATH)
@click.option("--out", "-o", type=PATH, help="Write the recipe to this new file, not to the screen.")
@click.option("--sheet", help="The sheet of a spreadsheet to look at.")
def recipe(files: tuple[Path, ...], out: Path | None, sheet: str | None) -> None:
    """Propose a recipe for FILES (- for standard input), each line marked `inferred` or `must be stated`.

    The recipe tells `geoqa review` how to read FILES, with a table [[file]] for what one of several has
    otherwise, and what the job accepts. A tolerance, a requirement, a unit or a coordinate system is never
    guessed: `geoqa review` refuses the recipe until those lines are filled in, and names them. Columns that
    were not recognized are listed with a sample, to be mapped by hand.
    """
    from geoqa.outputs.folder import replacing_file
    from geoqa.reviews.reading import propose_all

    with standard_input_files(files) as paths:
        text = propose_all(paths, sheet)
    if out is None:
        click.echo(text, nl=False)
        return
    if out.exists():
        raise CallError(f"{out} exists and is not overwritten. Name a new file for --out.")
    with replacing_file(out) as staging:
        staging.write_text(text, encoding="utf-8")
    named = " ".join(map(str, files))
    say(f"Wrote {out}. Fill in the lines that must be stated, then: geoqa review {named} -r {out} -o out")


@cli.command(short_help="List the installed steps, or describe one.")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="As one JSON document, for programs that make dialogs of it.")
def steps(name: str | None, as_json: bool) -> None:
    """List the installed steps, and what was refused and why; or describe the step NAME.

    A description ends with the block of the recipe that sets the step's parameters, with their defaults.
    """
    from geoqa import plugins

    found = plugins.catalogue()
    if as_json:
        import json

        click.echo(json.dumps(plugins.document(found, name), indent=1))
        return
    if name is not None:
        _describe(found.find(name).load())
        return
    for group, kind in plugins.CALLED.items():
        say(f"{kind.capitalize()}{'' if kind == 'analysis' else 's'}:")
        for key, cls in found.load_all(group).items():
            entry = found.entries[group][key]
            origin = "" if entry.distribution == plugins.OWN else f"  [{entry.distribution} {entry.version}]"
            say(f"  {key:<20} {first_line(cls)}{origin}")
    if found.refused:
        say("Refused:")
        for key, reason in found.refused.items():
            say(f"  {key:<20} {reason}")


RUN_HELP = """Run one analysis step again, with other parameters, on an earlier review.

\b
geoqa run closure-status out --unusual 0.05 --out closures.gpkg

Writes what the step gives to a new GeoPackage; the review itself stays as it is. `geoqa run STEP --help`
lists the step's parameters.
"""


@cli.command(cls=RunStep, help=RUN_HELP, short_help="Run one step again on an earlier review.")
def run() -> None:
    """Hold the steps together."""


@cli.command(name="map", short_help="Draw the map of an earlier review again.")
@click.argument("folder", type=PATH)
@click.option("--out", "-o", type=PATH, help="File to write; by default map.html in FOLDER.")
def draw_map(folder: Path, out: Path | None) -> None:
    """Draw the map of an earlier review again, from its review.gpkg and run.json."""
    from geoqa.reviews import stored

    written, failed, before = stored.draw_map(folder, out)
    say(f"Wrote {written}")
    end_if_failed(failed, before)


@cli.command(name="report", short_help="Write the report of an earlier review again.")
@click.argument("folder", type=PATH)
@click.option("--out", "-o", type=PATH, help="Folder to write to; by default FOLDER itself.")
def write_report(folder: Path, out: Path | None) -> None:
    """Write the report of an earlier review again, from its review.gpkg and run.json."""
    from geoqa.reviews import stored

    written, failed, before = stored.write_report(folder, out)
    for path in written:
        say(f"Wrote {path}")
    end_if_failed(failed, before)


COMPARE_HELP = """Compare two reviews: what differs in their input and recipe, and which points differ in status,
delivery or coordinate.

\b
geoqa review day.csv -r site.toml -o strict
geoqa compare out strict

Ends with 0 where no point differs, with 1 otherwise.
"""


@cli.command(help=COMPARE_HELP, short_help="Compare two reviews: statuses and numbers that moved.")
@click.argument("a", type=PATH)
@click.argument("b", type=PATH)
@click.option("--out", "-o", type=PATH, help="Also write a row for each point to this new CSV file, in metres.")
def compare(a: Path, b: Path, out: Path | None) -> None:
    """Print what differs."""
    from geoqa.reviews.stored import compare as compare_reviews

    said, differs = compare_reviews(a, b, out)
    for line in said:
        say(line)
    if out is not None:
        say(f"Wrote {out}")
    raise SystemExit(int(differs))


@cli.command(short_help="Write the points of an earlier review in other formats.")
@click.argument("folder", type=PATH)
@also_options
def deliver(folder: Path, also: tuple[str, ...], all_points: bool) -> None:
    """Write the points of an earlier review into its FOLDER in other formats, as `geoqa review --also` would have.

    For example `geoqa deliver out --also landxml,dxf`.
    """
    from geoqa.reviews import stored

    if not also:
        raise CallError("Say which formats to write: --also csv,landxml. `geoqa deliver --help` lists them.")
    written, notes = stored.deliver(folder, also, all_points, Progress())
    for path in written:
        say(f"Wrote {path}  ({path.stat().st_size / 1000:,.0f} kB)")
    for note in notes:
        say(f"Note: {note}")


@cli.command(short_help="Draw the plots of an earlier review as SVG.")
@click.argument("folder", type=PATH)
@click.option("--out", "-o", type=PATH, help="Folder to write; by default plots in FOLDER.")
@click.option("--point", "-p", "points", multiple=True, help="Point to plot; may be repeated. By default the worst.")
@click.option("--most", type=click.IntRange(0, 1000), default=12, show_default=True, help="Points at most.")
def plots(folder: Path, out: Path | None, points: tuple[str, ...], most: int) -> None:
    """Draw every plot of an earlier review as SVG; `geoqa steps` lists them.

    Of receiver logs also waits, lengths of averages, and positions and series of points. Needs matplotlib
    (pip install 'geoqa-survey[plots]').
    """
    from geoqa.reviews import output_steps, stored

    review, target = stored.taken_up(folder), out or folder / "plots"
    written, notes = output_steps.write(target, review.frames, review.job, points, most, Progress(), review.id)
    for line in (*(f"Wrote {path}" for path in written), *(f"Note: {note}" for note in notes)):
        say(line)


cli.add_command(experience)
cli.add_command(desktop_gis)
cli.add_command(guide)
cli.add_command(jobs)


def _describe(cls: type[Step]) -> None:
    from inspect import cleandoc

    say(f"{cls.name}\n\n{cleandoc(cls.__doc__ or '')}\n")
    if cls.needs or cls.gives:
        say(f"Needs: {cls.needs_said()}\nGives: {', '.join(cls.gives)}\n")
    if cls.parameters():
        say(f"In a recipe:\n\n[step.{cls.name}]")
        for parameter in cls.parameters():
            say(parameter.recipe_line)


def _print(made: Review, written: list[Path], verbose: bool = False) -> None:
    from geoqa.outputs import summary
    from geoqa.reviews.review import FILES, REPORTS

    width = screen_width()
    names = {path.name for path in written}
    alone = names & {*REPORTS} == {REPORTS[0]}
    lacking = "no report.pdf: typst is not installed (pip install 'geoqa-survey[report]'); report.html prints as well"
    if not verbose:
        told = {
            "id": made.id, "folder": written[0].parent, "lacking": f"  {lacking}" if alone else "",
            "messages": made.messages,
            "files": sorted(names, key=lambda name: (name in FILES, name)),
            "applied": [one["shift"] for one in made.record.get("shifts_applied", ())],
        }  # fmt: skip
        for line in summary.brief(made.frames, made.accounts, made.job, made.failed, told, width):
            say(line.text, head=line.head, look=line.look)
        return
    for text in made.summary(width):
        say(text)
    say(f"Files of review {made.id}:")
    for path in written:
        say(f"  {path}  ({path.stat().st_size / 1000:,.0f} kB)")
    if alone:
        say(f"  {lacking}")
    say("\n" + click.wrap_text(CAUTION, width))


def _refuse_changed(out: Path, staging: Path) -> None:
    """Raise CallError if `out` holds a file of the demo's name that is not the demo's."""
    for made in staging.iterdir():
        old = out / made.name
        if old.is_file() and old.read_bytes() != made.read_bytes():
            raise CallError(f"{old} is there and is not the demo's own. Name a new folder for the demo.")


@contextlib.contextmanager
def _collecting() -> Iterator[None]:
    """Let the collector work again afterwards, see `Progress`."""
    try:
        yield
    finally:
        gc.enable()


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; return the exit code instead of raising."""
    if arguments is None:  # as a command of its own, not within another program
        beside.allow()
    try:
        with terminating(), _collecting():
            cli.main(args=arguments, prog_name="geoqa", standalone_mode=False)
    except SystemExit as stop:
        return int(stop.code or 0)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return error.exit_code
    except click.ClickException as error:
        context = getattr(error, "ctx", None)
        usage = f"{context.get_usage()}\n`{context.command_path} --help` says more.\n\n" if context else ""
        say(f"{usage}geoqa: {error.format_message()}", err=True)
        return error.exit_code
    except click.Abort as error:
        if isinstance(error.__cause__, EOFError):  # a library's file cut short, say: nobody stopped anything
            return _inside(error.__cause__)
        say("geoqa: stopped; an earlier result is as it was.", err=True)
        return TERMINATED if isinstance(error.__cause__, Terminated) else INTERRUPTED
    except GeoqaError as error:
        say(f"geoqa: {error}", err=True)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:
        if isinstance(error, OSError) and error.filename is None and error.errno in (errno.ENOSPC, errno.EIO):
            # Files are written under errors of their own: this was the screen, or what it was sent to.
            say(f"geoqa: what geoqa prints cannot be written: {error.strerror}.", err=True)
            return CallError.exit_code
        return _inside(error)
    return 0


def _inside(error: BaseException) -> int:
    """Say that geoqa failed, and with what; return the exit code."""
    import traceback

    say("".join(traceback.format_exception(error)), err=True)
    say(
        f"geoqa: an error inside geoqa ({type(error).__name__}: {error}). The output is as it was, or whole. "
        "Please report it with the lines above.",
        err=True,
    )
    return GeoqaError.exit_code
