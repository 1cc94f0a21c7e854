"""Commands beside the review's own: `geoqa run STEP`, one for each step, and `geoqa experience`."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geoqa.core.errors import CallError, GeoqaError, InputError
from geoqa.core.units import counted

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


def say(text: str, err: bool = False) -> None:
    """Print text in which nothing can act on the terminal: names and messages may hold escape sequences."""
    from geoqa.outputs.text import display_text

    click.echo("\n".join(display_text(line) for line in text.split("\n")), err=err)


def tell_failed(failed: Mapping[str, str]) -> None:
    """Say what failed, where a reader of the last lines sees it."""
    from geoqa.outputs.summary import failures

    for line in failures(failed)[:-1]:
        say(line, err=True)


def end_if_failed(failed: Mapping[str, str], before: Mapping[str, str]) -> None:
    """End with 70 if anything failed that had not failed before."""
    new = {name: reason for name, reason in failed.items() if before.get(name) != reason}
    tell_failed(new)
    if new:
        raise SystemExit(GeoqaError.exit_code)


@click.command("desktop-gis", short_help="Write the plugin that puts geoqa into a desktop GIS's toolbox.")
@click.option("--out", "-o", required=True, type=PATH, help="Folder to write the plugin's folder into.")
@click.option("--zip", "archive", is_flag=True, help="Write the archive that the plugin manager installs.")
@click.pass_context
def desktop_gis(context: click.Context, out: Path, archive: bool) -> None:
    r"""Write the plugin that puts geoqa into the Processing toolbox of QGIS, from 3.22 on.

    \b
    geoqa desktop-gis --out . --zip         then: Plugins > Manage and Install Plugins > Install from ZIP

    The plugin runs this geoqa as a process of its own; it can be told another: the setting GEOQA_EXE under Settings >
    Options > Processing > Providers, or the variable of that name. Write it again after geoqa or a plugin of geoqa has
    another version. The guide's chapter desktop-gis says more.
    """
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
    for folder in results:
        path = folder / "run.json" if folder.is_dir() else folder
        try:
            run = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise InputError(f"{path}: cannot be read as the record of a review: {error}.") from error
        job = kept.taught(run, str(path))
        if not job["classes"]:
            say(f"{folder}: not added, it teaches nothing: no row of it has a canopy class")
            continue
        try:
            name, before = kept.add(content, job, group)
        except InputError as error:
            raise InputError(f"{folder}: {error} Nothing was added to {target}.") from None
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


def _keep(path: Path, content: object) -> None:
    _write(path, json.dumps(content, indent=1, ensure_ascii=False) + "\n")


def _write(path: Path, text: str) -> None:
    """Write the file whole or not at all."""
    from geoqa.outputs import folder

    with folder.replacing_file(path) as staging:
        staging.write_text(text, encoding="utf-8")
