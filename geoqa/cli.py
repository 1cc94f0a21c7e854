"""The command line. Nothing heavy is imported before a command runs."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geoqa.core.errors import CallError, GeoqaError

if TYPE_CHECKING:
    from geoqa.core.params import Parameter
    from geoqa.core.steps import Analysis, Step
    from geoqa.reviews import Review

CAUTION = (
    "geoqa reviews internal evidence; it does not certify. Precision is not accuracy, and occupations that share a "
    "base, an antenna height, a pole or a network do not show their common error."
)
EXIT_CODES = """\b
Exit codes: 0 every point that is not single by plan may be delivered;
1 there are findings; 2 the input or the call is wrong; 3 a coordinate
operation was refused; 70 an error inside geoqa."""


@click.group(
    help="Review a whole site of repeated RTK occupations: which points to deliver, which to observe again.",
    epilog=f"{EXIT_CODES}\n\n{CAUTION}",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="geoqa-survey", prog_name="geoqa")
def cli() -> None:
    """Hold the commands together."""


@cli.command(epilog=EXIT_CODES)
@click.argument("inputs", nargs=-1, required=True, metavar="INPUT...", type=click.Path(path_type=Path))
@click.option("--recipe", "-r", required=True, type=click.Path(path_type=Path), help="The recipe (TOML) of the job.")
@click.option(
    "--out", "-o", required=True, type=click.Path(path_type=Path), help="Folder for the results; made or replaced."
)
def review(inputs: tuple[Path, ...], recipe: Path, out: Path) -> None:
    r"""Review a site: read the occupations, judge every point, write the map and the files.

    \b
    geoqa recipe occupations.csv > site.toml        propose a recipe, then fill in what it asks
    geoqa review occupations.csv -r site.toml -o out

    INPUT may be - for standard input, and a file may be compressed with gzip.

    Writes map.html, review.gpkg, points.csv and run.json. If anything fails, an earlier result in the
    folder stays as it was.
    """
    from geoqa import standard_input
    from geoqa.reviews import review as run_review

    progress = Progress()
    with standard_input.files(inputs) as paths:
        made = run_review(paths, recipe, progress)
    written = made.write(out, progress)
    _print(made, written)
    raise SystemExit(made.exit_code)


@cli.command()
@click.argument("out", type=click.Path(path_type=Path))
def demo(out: Path) -> None:
    """Write an invented site into OUT and review it there.

    The site has findings on purpose: false fixes, a mistyped antenna height, a wrong point name, bad
    rows. The command ends with 0 all the same.
    """
    from geoqa import demo as site
    from geoqa.outputs.folder import replacing
    from geoqa.reviews import review as run_review

    progress = Progress()
    with replacing(out) as staging:
        site.write_site(staging)
    made = run_review([out / "occupations.csv"], out / "site.toml", progress)
    written = made.write(out, progress)
    _print(made, written)
    _say(f"This is a demonstration and ends with 0. On these data `geoqa review` would end with {made.exit_code}.")
    _say(f"Open {out / 'map.html'} in a browser; it needs no network.")


@cli.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--out", "-o", type=click.Path(path_type=Path), help="Write the recipe to this new file, not to the screen."
)
def recipe(file: Path, out: Path | None) -> None:
    """Propose a recipe for FILE (- for standard input), each line marked `inferred` or `must be stated`.

    A tolerance, a requirement, a unit or a coordinate system is never guessed: `geoqa review` refuses
    the recipe until those lines are filled in, and names them.
    """
    from geoqa import standard_input
    from geoqa.readers.proposal import propose

    with standard_input.files([file]) as (path,):
        text = propose(path)
    if out is None:
        click.echo(text, nl=False)
        return
    if out.exists():
        raise CallError(f"{out} exists and is not overwritten. Name a new file for --out.")
    out.write_text(text, encoding="utf-8")
    _say(f"Wrote {out}. Fill in the lines that must be stated, then: geoqa review {file} -r {out} -o out")


@cli.command()
@click.argument("name", required=False)
def steps(name: str | None) -> None:
    """List the installed steps, and what was refused and why; or describe the step NAME."""
    from geoqa import plugins

    found = plugins.catalogue()
    if name is not None:
        _describe(found.find(name).load())
        return
    for group, title in (("geoqa.readers", "Readers"), ("geoqa.analysis", "Analysis"), ("geoqa.layers", "Map layers")):
        click.echo(f"{title}:")
        for key, cls in found.load_all(group).items():
            entry = found.entries[group][key]
            origin = "" if entry.distribution == plugins.OWN else f"  [{entry.distribution} {entry.version}]"
            click.echo(f"  {key:<20} {_first_line(cls)}{origin}")
    if found.refused:
        click.echo("Refused:")
        for key, reason in found.refused.items():
            click.echo(f"  {key:<20} {reason}")


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


@cli.command(cls=RunStep)
def run() -> None:
    r"""Run one analysis step on the frames of an earlier review.

    \b
    geoqa run closure-status out --unusual 0.05 --out closures.gpkg
    """


@cli.command(name="map")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--out", "-o", type=click.Path(path_type=Path), help="File to write; by default map.html in FOLDER.")
def draw_map(folder: Path, out: Path | None) -> None:
    """Draw the map of an earlier review again, from its review.gpkg and run.json."""
    from geoqa.stored import load

    target = out or folder / "map.html"
    load(folder).write_map(target)
    _say(f"Wrote {target}")


def _step_command(cls: type[Step]) -> click.Command:
    options: list[click.Parameter] = [
        click.Argument(["folder"], type=click.Path(path_type=Path)),
        click.Option(["--out", "-o"], required=True, type=click.Path(path_type=Path), help="GeoPackage to write."),
    ]
    options += [_option(parameter) for parameter in cls.parameters()]

    def callback(folder: Path, out: Path, **values: Any) -> None:
        from geoqa.stored import run_step

        step: Analysis = cls(**{name: value for name, value in values.items() if value is not None})  # type: ignore[assignment]
        for line in run_step(step, folder, out):
            _say(line)

    text = (
        f"{cls.__doc__}\n\nFOLDER holds an earlier review. Needs {', '.join(cls.needs)}; gives {', '.join(cls.gives)}."
    )
    return click.Command(cls.name, params=options, callback=callback, help=text)


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
    return click.Option([flag, parameter.name], metavar=parameter.unit or "TEXT", callback=checked, help=text)


def _describe(cls: type[Step]) -> None:
    from inspect import cleandoc

    click.echo(f"{cls.name}\n\n{cleandoc(cls.__doc__ or '')}\n")
    if cls.needs or cls.gives:
        click.echo(f"Needs: {', '.join(cls.needs)}\nGives: {', '.join(cls.gives)}\n")
    if cls.parameters():
        click.echo(f"In a recipe:\n\n[step.{cls.name}]")
        for parameter in cls.parameters():
            click.echo(f"{parameter.name} = {_toml(parameter.default)}   # {parameter.help} ({parameter.rule})")


def _toml(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) else str(value)


def _first_line(cls: type[Step]) -> str:
    return (cls.__doc__ or "").strip().splitlines()[0]


def _print(made: Review, written: list[Path]) -> None:
    for line in made.summary():
        click.echo(line)
    click.echo("Files:")
    for path in written:
        click.echo(f"  {path}  ({path.stat().st_size / 1000:,.0f} kB)")
    click.echo(f"\n{CAUTION}")


def _say(text: str) -> None:
    click.echo(text)


class Progress:
    """Names the stage on the error stream once a run takes longer than two seconds."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def __call__(self, stage: str) -> None:
        """Name the stage that begins."""
        elapsed = time.monotonic() - self._start
        if elapsed > 2:
            click.echo(f"{elapsed:6.1f} s  {stage}", err=True)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; return the exit code instead of raising."""
    try:
        cli.main(args=arguments, prog_name="geoqa", standalone_mode=False)
    except SystemExit as stop:
        return int(stop.code or 0)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except click.Abort:
        click.echo("geoqa: stopped; an earlier result is as it was.", err=True)
        return 130
    except GeoqaError as error:
        click.echo(f"geoqa: {error}", err=True)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:
        import traceback

        traceback.print_exc()
        click.echo(
            f"geoqa: an error inside geoqa ({type(error).__name__}: {error}). Nothing was written. Please report it "
            f"with the lines above.",
            err=True,
        )
        return GeoqaError.exit_code
    return 0
