"""`geoqa experience`: what earlier jobs taught, kept in a file of the firm's own."""

from __future__ import annotations

import json
from pathlib import Path

import click

from geoqa.core.errors import InputError
from geoqa.core.units import counted
from geoqa.step_commands import PATH, say


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
        name, before = kept.add(content, kept.taught(run, str(path)), group)
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
        from geoqa.outputs.plots import experience as drawing

        _write(plot, drawing.figure(table).svg)


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
