"""The front door: `review` reads, judges and keeps a whole site; `Review.write` makes the files.

What is said of every review that a recipe leads to: what it leaves unstated, asserts, or does not judge.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from geoqa import pipeline, plugins
from geoqa.analysis.occupations.visits import Visits
from geoqa.core import experience, geodesy, input_files
from geoqa.core import job as core_job
from geoqa.core.arrays import gpd, np, pa, pd
from geoqa.core.errors import CallError, Fault, GeoqaError, InputError
from geoqa.core.frames import contract, procedure, schema
from geoqa.core.job import Job, Recipe
from geoqa.core.recipe import Requirement
from geoqa.core.site import assembly, labels
from geoqa.core.steps import Analysis, Step
from geoqa.core.units import METRES_PER
from geoqa.reviews import beside, reading
from geoqa.reviews.output_steps import Deliveries, MapLayers, Plots, refuse_stated


def job_notes(job: Job, found: plugins.Catalogue, occupations: pd.DataFrame) -> list[str]:
    """Return what a recipe, and what is installed, let a person know whatever the points are."""
    said = [f"step left out: {reason}" for reason in found.refused.values()]
    said += (
        *geodesy.frame_said(job.site),
        *geodesy.feet_said(job.site, job.input, job.columns),
        *(t for r in job.files for t in geodesy.feet_said(r.recipe.site, r.recipe.input, r.recipe.columns)),
    )
    if occupations["height_m"].isna().all():
        said.append("no row has a height that is used: position only, everything is judged horizontally only")
    if job.requirement.horizontal_m is None and job.requirement.vertical_m is None:
        said.append(
            "no requirement is stated: nothing can be delivered where the role has none of its own. Add [requirement] "
            "with horizontal_m and vertical_m, the largest error of a delivered coordinate"
        )
    if not occupations["height_m"].isna().all() and not any("v" in r.judge for r in _requirements(job)):
        said.append('heights are read and not judged: judge = "h" under [requirement]')
    silent = [w for w, sigma in (("position", job.base.sigma_h_m), ("height", job.base.sigma_v_m)) if sigma is None]
    if silent:
        said.append(
            f"no uncertainty of the base's {' and '.join(silent)} is stated in [base]: coordinates and uncertainties "
            f"are relative to the base"
        )
    if job.input.initialization == "asserted":
        said.append(f"that every row is a fresh initialization is asserted by {job.input.asserted_by}, not shown")
    if job.input.initialization == "unknown":
        said.append("initializations are unknown: nothing shows that any two occupations are independent")
    return said


def _requirements(job: Job) -> list[Requirement]:
    return [job.requirement, *(role.requirement for role in job.roles.values())]


Progress = Callable[[str], None]
#: Numbers in the largest block that the C library of Linux learns from: one freed, it keeps what smaller arrays free
#: for the next ones, where it gave it back to the system each time (9,000 page faults, a tenth of a small review).
_LARGE_BLOCK = 4_000_000
#: Names, of columns too, are looked up one by one: kept by Python a small review takes a fifth less than by Arrow, one
#: of 100,000 occupations a twentieth, in as much memory.
_STRINGS = ("mode.string_storage", "python")
#: Points with a receiver's log that the report plots.
MOST_PLOTTED = 3
#: Map layers that may show a file of their own.
ON_MAP = ("site-boundary", "cover-areas")
#: What a review writes, by the word that chooses it; plots, on their own only where asked for, are called as drawn.
REPORTS = ("report.html", "report.pdf")
PARTS = {
    "map": ("map.html",), "gpkg": ("review.gpkg", "review.qgs"), "csv": ("points.csv", "record.csv"), "report": REPORTS,
    "sheet": ("revisits.html", "revisits.gpx", "revisits.csv"), "plots": (),
}  # fmt: skip
FILES = (*(name for names in PARTS.values() for name in names), "run.json")


#: Suspicious shifts without which the map shows the site, one at a time, those that most points show: so many up to a
#: number of occupations. Each costs a tenth of the review, of a very large site a fifth.
MOST_SETTLED = {10_000: 3, 50_000: 1}


@dataclass(frozen=True)
class Again:
    """What it takes to judge a site again: frames as read, ordered steps, and the shifts that may be applied by name.

    Attributes
    ----------
    frames
        As read, nothing taken off.
    steps, foreign
        Analysis steps in order, and the names of those of a third party.
    found
        The frames ``shifts`` and ``shifted`` that names are looked up in; none where they were not looked for.
    applied
        Names that the review was asked for.
    """

    frames: Mapping[str, pd.DataFrame]
    steps: tuple[Analysis, ...]
    foreign: tuple[str, ...]
    job: Job
    found: tuple[pd.DataFrame, pd.DataFrame] | None
    applied: tuple[str, ...] = ()

    def names(self, shifts: pd.DataFrame) -> list[str]:
        """Return those of `shifts` that `geoqa review --apply-shift` takes, the ones that most points show."""
        if self.found is None:
            return []
        ranked = shifts[shifts["suspicious"].astype(bool)].sort_values("points", ascending=False, kind="stable")
        named, able = (ranked["setup"] + " " + ranked["kind"]).tolist(), []
        for name in named:
            with contextlib.suppress(CallError):
                assembly.chosen(*self.found, [*self.applied, name])
                able.append(name)
        n = len(self.frames["occupations"])
        return able[: next((most for up_to, most in MOST_SETTLED.items() if n <= up_to), 0)]

    def without(self, name: str) -> pd.DataFrame:
        """Return ``points`` as ``--apply-shift`` with this name, beside those applied already, has them judged."""
        assert self.found is not None
        shifted = assembly.chosen(*self.found, [*self.applied, name])[1]
        right = assembly.take_off(self.frames["occupations"], shifted, self.job)
        kept = pipeline.RunFrames({**self.frames, "occupations": right})
        steps = pipeline.leading_to(("points.deliver",), self.steps)
        pipeline.run(steps, kept, self.job, may_fail=pipeline.optional(self.steps), foreign=self.foreign)
        return kept["points"]


@dataclass(frozen=True)
class Review:
    """A reviewed site.

    Attributes
    ----------
    job
        The completed recipe.
    frames
        Every frame made, by name (see `geoqa.core.frames.schema`).
    accounts
        Per input file and kind of record: how many were read, used, set aside.
    messages
        What people should know.
    record
        What goes into run.json beside the above.
    sources
        The files that were read, those of occupations first; writing never replaces one.
    layers
        The map layers as configured; without them those that are installed.
    drawn
        SHA-256 of files that the map shows, as they were when the review was made.
    again
        What it takes to judge the site without a shift; None of a review that is taken up again from its folder.
    failed
        What failed so far without the review, steps and files, and why; writing adds to it.
    """

    job: Job
    frames: Mapping[str, pd.DataFrame]
    accounts: Mapping[str, Mapping[str, Mapping[str, int]]]
    messages: tuple[str, ...] = ()
    record: Mapping[str, Any] = field(default_factory=dict)
    sources: tuple[Path, ...] = ()
    layers: MapLayers | None = None
    failed: dict[str, str] = field(default_factory=dict)
    drawn: Mapping[Path, str] = field(default_factory=dict)
    again: Again | None = None

    @property
    def id(self) -> str:
        """What tells this review from others on its map, report and field sheet, see `outputs.record.review_id`."""
        return str(self.record.get("id", ""))

    @property
    def counts(self) -> dict[str, dict[str, int]]:
        """Points by status and by delivery, and epochs by solution where there are logs."""
        told = [("points", "status", contract.STATUSES), ("points", "deliver", schema.DELIVERIES)]
        told += [("epochs", "solution", core_job.SOLUTIONS)] if "epochs" in self.frames else []
        told += [("points", "procedure", procedure.MET)] if "procedure" in self.frames["points"] else []
        return {
            column: {word: int((self.frames[name][column] == word).sum()) for word in words}
            for name, column, words in told
        }

    @property
    def exit_code(self) -> int:
        """70 when anything failed, 0 when every point that is not single by plan may be delivered, 1 otherwise."""
        if self.failed:
            return GeoqaError.exit_code
        points = self.frames["points"]
        held = points[points["deliver"] == "no"]
        planned = held["role"].map(lambda role: self.job.role(role).single_by_plan).astype(bool)
        return int((~(planned & held["status"].isin(contract.UNPROVEN))).any())

    def summary(self, width: int = 110) -> list[str]:
        """Return the whole summary as lines of text of at most so many columns."""
        from geoqa.outputs import summary

        return summary.lines(self.frames, self.accounts, self.messages, self.job, self.failed, width)

    def write(
        self, folder: str | Path, progress: Progress = lambda _: None, also: Iterable[str] = (),
        all_points: bool = False, files: Iterable[str] = (),
    ) -> list[Path]:  # fmt: skip
        """Write map, report, frames, tables, field sheet and record; the folder stays as it was if one is refused.

        Each file is whole at every moment. Of a run that is killed while it puts the files in place, the next that
        writes there finishes the set.

        report.pdf is made where typst is installed. Map, report, field sheet and further files that cannot be made
        are left out: `failed` then says why, and the record with it.

        Further files that an earlier review wrote there are removed unless they are made again: they speak of
        other results. Only where `files` are chosen, and it was this same review, they stay.

        Parameters
        ----------
        folder
            Folder to make or to write into; files in it that geoqa did not make are never touched.
        progress
            Called with the name of each file.
        also
            Formats of further files, such as ``landxml``: the points that may be delivered, as delivered.xml.
        all_points
            Whether these hold every point, marked, as all-points.xml.
        files
            What to write: ``map``, ``gpkg``, ``csv``, ``report``, ``sheet``, and ``plots``, those of the report as
            files of their own; by default all but these. run.json is always written.

        Returns
        -------
        list of Path
            The files of the review that are there now.

        Raises
        ------
        OutputError
            If the folder cannot be written, or a file that was read or that geoqa did not write would be lost, or
            a file is held open by another program.
        InputError
            If a file that the map shows has changed since the review.
        CallError
            If a file or a format is not known, its library is missing, or it cannot hold the job's coordinates.
        """
        from geoqa.outputs import csv_tables, record
        from geoqa.outputs import folder as folders
        from geoqa.outputs.field import sheet

        target, files = Path(folder), tuple(files)
        deliveries, parts = Deliveries.of(also, self.job, every=all_points), chosen(files)
        refuse_loss(target, self.sources, deliveries.names(), parts)
        made: dict[str, Any] = {}
        replaced, before = None, {}
        if files and folders.holds(target, self.id):  # what was not chosen now stays
            own = {name for part in parts for name in PARTS[part]}
            replaced = [n for n in folders.own(target) if n in own or ("plots" in parts and n.endswith(".svg"))]
            before = folders.record_beside(target, self.id)
        with pd.option_context(*_STRINGS), folders.writing(target, made, replaced) as staging:
            apart = beside.begun(lambda: self._write_layers(staging)) if "gpkg" in parts else contextlib.nullcontext()
            with apart as layers:
                if "map" in parts:
                    progress("what-if")
                    otherwise = self.otherwise()
                    progress("map.html")
                    with pipeline.going_on("map.html", self.failed):
                        self.write_map(staging / "map.html", otherwise)
                if drawn := {"report", "plots"} & {*parts}:
                    progress("report.html")
                    with pipeline.going_on("report.html", self.failed):
                        self.write_report(staging, drawn)
                if "csv" in parts:
                    progress("points.csv")
                    fields = csv_tables.fields("points", self.frames["points"], self.job)
                    csv_tables.write(staging / "points.csv", fields)
                    progress("record.csv")
                    with pipeline.going_on("record.csv", self.failed):
                        csv_tables.write(staging / "record.csv", record.fields(self.frames, self.job))
                if "sheet" in parts:
                    progress("revisits.html")
                    with pipeline.going_on("revisits.html", self.failed):
                        sheet.write(staging, self.frames, self.job, self.id)
                if layers:
                    progress("review.gpkg")
                    layers()
            with pd.option_context(_STRINGS[0], "auto"):  # writers are given what `geoqa deliver` gives them
                also_made = deliveries.write(staging, self.frames, self.job, progress, self.failed)
            made |= self.run_record()
            made["also"] = [*folders.further(before, deliveries.names()), *also_made]
            made["messages"] += deliveries.notes(self.frames)
            made["inputs"] = reading.recorded(made["inputs"], target)
        return [target / name for name in sorted([*made["files"], "run.json"])]

    def _write_layers(self, folder: Path) -> None:
        from geoqa.outputs import geopackage, gis_project

        path = folder / "review.gpkg"
        path.unlink(missing_ok=True)  # what a copy of this process that went away had begun
        geopackage.write(path, self.frames, self.job)
        gis_project.write(folder / "review.qgs", path, self.job)

    def write_map(self, path: str | Path, otherwise: Mapping[str, Any] | None = None) -> None:
        """Write the map alone; `otherwise` is what the method of this name returns, where it was asked already."""
        from geoqa.outputs import folder
        from geoqa.outputs.map import html_map

        def page(layers: MapLayers) -> str:
            with input_files.visit(self.job.input.largest_megabytes) as seen:
                drawings, notes = layers.draw(self.frames, self.job, self.failed)
            notes += [f"the map layer {name!r} is left out: {reason}" for name, reason in dropped.items()]
            reading.refuse_changed(self.drawn, seen)
            notes = [*self.messages, *notes]
            context = html_map.MapContext.of(self.frames, self.job, notes, self.id, self.record.get("inputs", ()))
            return html_map.build_map(drawings, replace(context, **told))

        dropped: dict[str, str] = {}
        told = self.otherwise() if otherwise is None else otherwise
        text = (self.layers or MapLayers.of(plugins.catalogue(), self.job)).that_fit(page, dropped)
        self.failed.update(dropped)
        with folder.replacing_file(Path(path)) as staging:
            staging.write_text(text, encoding="utf-8")

    def otherwise(self) -> dict[str, Any]:
        """Return how the points would be judged without a shift, and under other tolerances: for the map.

        Returns
        -------
        dict
            ``settled``, ``tried`` and ``factors`` as `geoqa.outputs.map.html_map.MapContext` takes them; a part is
            missing where this review cannot tell it, and stands in `failed` where it fails.
        """
        from geoqa.analysis.points import point_status

        made: dict[str, Any] = {}
        with pd.option_context(*_STRINGS):
            if all(pipeline.has(self.frames, address) for address in point_status.PointStatus.needs):
                with pipeline.going_on("tried tolerances", self.failed):
                    made |= {"tried": point_status.tried(self.frames, self.job), "factors": point_status.FACTORS}
            if self.again and "shifts" in self.frames:
                with pipeline.going_on("settled shifts", self.failed):
                    points, names = self.frames["points"], self.again.names(self.frames["shifts"])
                    made["settled"] = {name: _changed(points, self.again.without(name)) for name in names}
        return made

    def write_report(self, folder: Path, parts: Collection[str] = ("report",)) -> list[Path]:
        """Write report.html into a folder, and report.pdf where typst is installed; return what was written.

        `parts` may name ``plots`` too, or alone: the report's figures, a file each.
        """
        from geoqa.outputs.plots import style
        from geoqa.outputs.report import html_report, pdf
        from geoqa.reviews import output_steps

        def pages(plots: Plots) -> dict[str, bytes]:
            drawn = plots.draw(self.frames, self.job, failed=self.failed)[0]
            made = {f"{one.name}.svg": one.svg.encode() for one in drawn if "plots" in parts}
            if "report" in parts:
                document = html_report.document(self.frames, self.job, self.run_record(), drawn)
                made["report.html"] = html_report.page(document).encode()
                made |= {"report.pdf": pdf.pdf(document)} if with_paper else {}
            return made

        few = {name: {"most": MOST_PLOTTED} for name in output_steps.OF_POINTS}
        plots = Plots.of(plugins.catalogue(), self.job, few) if style.is_installed() else Plots()
        with_paper, made = "report" in parts and pdf.is_installed(), dict[str, bytes]()
        with pipeline.going_on("report.pdf", self.failed):
            made = plots.that_fit(pages, self.failed)
        if not made:
            with_paper = False
            made = plots.that_fit(pages, self.failed)
        for name, content in made.items():
            (folder / name).write_bytes(content)
        return [folder / name for name in made]

    def run_record(self) -> dict[str, Any]:
        """Return what run.json holds."""
        from geoqa.outputs import folder

        return {
            "format": schema.RUN_FORMAT,
            **self.record,
            "recipe": self.job.as_table(),
            "accounts": self.accounts,
            "counts": self.counts,
            "decisions": self._decisions(),
            "statements": folder.statements(self.frames),
            "messages": list(self.messages),
            "failed": [{"step": name, "reason": reason} for name, reason in self.failed.items()],
        }

    def _decisions(self) -> list[dict[str, Any]]:
        """Return the reviewer's decisions as plain values."""
        if "decisions" not in self.frames:
            return []
        table = self.frames["decisions"].drop(columns="geometry", errors="ignore").astype(object)
        return [{str(k): v for k, v in row.items()} for row in table.where(table.notna(), None).to_dict("records")]


def review(
    inputs: str | Path | Iterable[str | Path],
    recipe: str | Path | Mapping[str, Any] | Recipe,
    progress: Progress = lambda _: None,
    apply_shifts: Iterable[str] = (),
    since_folder: str | Path | None = None,
    experience_as_of: str | None = None,
) -> Review:
    """Review a whole site.

    Parameters
    ----------
    inputs
        One file or several; a folder that an earlier review was written to stands for the files it was made of.
    recipe
        A recipe file, the same as a mapping, or a `Recipe`.
    progress
        Called with the name of each stage.
    apply_shifts
        Names of suspicious shifts to take off the occupations before they are judged, beside those the recipe
        names as `apply` in ``[step.shifts]``; nothing is taken off unasked.
    since_folder
        An earlier review to compare with; by default the last one among the inputs.
    experience_as_of
        Date or hash of the state of the experience to use; by default the last one.

    Raises
    ------
    RecipeError, InputError, GeodesyError
        With every fault, and what to write instead.
    """
    np.empty(_LARGE_BLOCK)
    stated = assembly.with_names(_recipe(recipe), apply_shifts)
    with input_files.visit(stated.input.largest_megabytes), pd.option_context(*_STRINGS):
        return _reviewed(inputs, recipe, stated, progress, since_folder, experience_as_of)


def _reviewed(
    inputs: Any, named_recipe: Any, recipe: Recipe, progress: Progress, since_folder: str | Path | None,
    experience_as_of: str | None,
) -> Review:  # fmt: skip
    """Return the review by a recipe; see `review`."""
    from geoqa.outputs import folder
    from geoqa.readers import canopy, companions

    paths = [Path(inputs)] if isinstance(inputs, (str, Path)) else [Path(p) for p in inputs]
    paths = paths or reading.of_recipe(recipe)
    reading.refuse_names(paths)
    paths, earlier = reading.earlier_inputs(paths)
    earlier = earlier if since_folder is None else Path(since_folder)
    found = plugins.catalogue()
    steps = pipeline.installed(found, recipe)
    layers = MapLayers.of(found, recipe)
    layers.refuse_stated(recipe)
    refuse_stated(found, recipe)
    Plots.of(found, recipe).refuse_stated(recipe)
    named = _named_files(recipe)
    decided = companions.read_decisions(named.get("decisions"))
    checked = companions.read_checks(named["checks"]) if "checks" in named else None
    looked_up = companions.read_lookup(named["lookup"]) if "lookup" in named else None
    recipes = [core_job.recipe_of(path, recipe) for path in paths]
    read = [(path, *made) for path, made in zip(paths, reading.read(found, paths, recipes, progress), strict=True)]
    names = reading.distinct([path for path, _, _ in read])
    reading.refuse_copies(names, [reading.sha256(path) for path in paths])
    form = core_job.in_one_unit(recipe, names, [result.units for _, _, result in read])
    tested = companions.read_field_test(named.get("field test"), METRES_PER[recipe.field_test.unit or form.unit])
    messages = [*core_job.unused_rules(paths, recipe), *(text for _, _, result in read for text in result.messages)]
    if all(result.frames["occupations"].empty for _, _, result in read):
        raise InputError("\n".join(["no row can be used:", *(f"  - {text}" for text in messages)]))
    frames: dict[str, pd.DataFrame] = {}
    for kind in pipeline.READ:
        parts = [reading.named(result.frames[kind], name) for name, (_, _, result) in zip(names, read, strict=True)]
        if kind == "occupations":
            # A log names its fixes itself.
            exact = [
                "epochs" in result.frames or own.input.exact_labels
                for (*_, result), own in zip(read, recipes, strict=True)
            ]
            parts, of_labels = labels.united(parts, exact)
            parts, settled, of_files = core_job.settled_by_file(parts, names, recipes, recipe)
            messages += [*of_labels, *of_files]
            frames[kind], job, said, decided = assembly.occupations(
                parts, recipe, looked_up, decided, input=form, **settled
            )
            messages += [*said, *labels.no_direct_measurements(frames[kind])]
        else:
            frames[kind] = assembly.stack(parts)
    if any("epochs" in result.frames for _, _, result in read):
        frames["epochs"] = reading.epochs([result for _, _, result in read], names, frames["occupations"], job)
    # What was read is put together: it is not kept a second time while the site is judged, nor is what reading used.
    read = [(path, reader, replace(result, frames={})) for path, reader, result in read]
    pa.default_memory_pool().release_unused()
    frames["occupations"], canopied, of_canopy = canopy.read_canopy(frames["occupations"], job)
    checked, of_rows = assembly.measured_from(frames["occupations"], job, checked)
    messages += of_rows
    compared = None
    labels.refuse_many(frames["occupations"], job)
    frames |= {"decisions": decided, "field_test": tested} | ({} if canopied is None else {"canopy": canopied})
    frames |= {} if checked is None else {"checks": checked}
    used: dict[str, Any] | None = None
    if "experience" in named:
        frames["experience"], used = experience.of_job(
            experience.read(named["experience"]), frames["occupations"], job.experience.group, experience_as_of
        )
        if not used["jobs"]:
            of_group = f" of the group {job.experience.group!r}" if job.experience.group else ""
            messages.append(f"the experience holds no other job{of_group}: it says nothing here")
    if job.procedure.asked:
        frames["procedure_asked"] = procedure.asked(job, Visits.as_set(job).separation_h_min * 60)
    if earlier is not None:
        frames["earlier"], compared = reading.stored_points(earlier, job)
    for kind, frame in frames.items():
        schema.check(kind, frame, by="the readers")
    steps = pipeline.possible(steps, frames)
    foreign = [step.name for step in steps if found.is_third_party(step.name)]
    failed: dict[str, str] = {}
    as_read = dict(frames)
    frames["occupations"], applied, found_first = _without_shifts(frames, steps, job, progress)
    kept = pipeline.RunFrames(frames)
    messages += [*of_canopy, *(f"applied as asked: {one['said']}" for one in applied)]
    messages += pipeline.run(steps, kept, job, progress, pipeline.optional(steps), foreign, failed)
    if found_first is None and {"shifts", "shifted"} <= set(kept.names()):
        found_first = kept["shifts"], kept["shifted"]
    by_name = {reader.name: reader for _, reader, _ in read}
    made_of = {
        "inputs": [
            {**reading.recorded_entry(name, path, reader.name), "path": str(path)}
            for name, (path, reader, _) in zip(names, read, strict=True)
        ]
        + [reading.recorded_entry(path.name, path, kind) for kind, path in named.items()],
        "steps": [Step.as_record(step) for step in (*by_name.values(), *steps, *layers.usable)],
        "versions": folder.versions(),
        "shifts_applied": applied,
        "plugins": {"used": found.third_party(), "refused": found.refused},
        "experience": {"used": used, "taught": _taught(kept, job)},
        "local_origin": list(job.local_origin) if job.local_origin else None,
        "since": compared,
    }
    return Review(
        job=job,
        frames={name: _placed(kept[name], job) for name in kept.names()},
        accounts={name: result.accounts for name, (_, _, result) in zip(names, read, strict=True)},
        messages=(*messages, *job_notes(job, found, frames["occupations"])),
        record={"id": folder.review_id({**made_of, "recipe": job.as_table()}), **made_of},
        sources=(*paths, *named.values(), *([Path(named_recipe)] if isinstance(named_recipe, (str, Path)) else [])),
        layers=layers,
        failed={**found.refused, **failed},
        drawn={path: reading.sha256(path) for kind, path in named.items() if kind in ON_MAP},
        again=Again(as_read, tuple(steps), tuple(foreign), job, found_first, _asked_off(job)),
    )


def _taught(kept: pipeline.RunFrames, job: Job) -> dict[str, Any]:
    """Return what the job teaches: sums by class, how its rows are known again, and under which words."""
    occupations, repeats = kept["occupations"], kept["repeats"].iloc[0]
    start = occupations["start_utc"].min()
    table = kept["taught"].astype(object)
    return {
        "classes": table.where(table.notna(), None).to_dict("records"),
        "repeats": {name: float(repeats[name]) for name in ("came", "could")},
        "month": None if start is None or start != start else f"{start:%Y-%m}",
        "convention": [job.input.precision, job.input.precision_v],
        "rows": experience.sketch(occupations),
    }


def _asked_off(job: Job) -> tuple[str, ...]:
    """Return the names of the shifts that are to be taken off."""
    return tuple(job.steps.get("shifts", {}).get("apply", ()))


def _without_shifts(
    frames: Mapping[str, pd.DataFrame], steps: list[Analysis], job: Job, progress: Progress
) -> tuple[pd.DataFrame, list[dict[str, Any]], tuple[pd.DataFrame, pd.DataFrame] | None]:
    """Return the occupations with the shifts taken off that were asked for by name, what was done, and those found."""
    names = _asked_off(job)
    if not names:
        return frames["occupations"], [], None
    before = pipeline.RunFrames(frames)
    pipeline.run(pipeline.leading_to(("shifts",), steps), before, job, progress)
    found = before["shifts"], before["shifted"]
    shifts, shifted = assembly.chosen(*found, names)
    right = assembly.take_off(frames["occupations"], shifted, job)
    schema.check("occupations", right, by="--apply-shift")
    return right, assembly.corrections_told(shifts, shifted), found


#: What a map says of a point that is judged otherwise.
_JUDGED = ("status", "deliver", "reason", "deliver_reason")


def _changed(points: pd.DataFrame, again: pd.DataFrame) -> pd.DataFrame:
    """Return the points that are judged otherwise again, as they then are; null where a point is no more."""
    before, after = (
        frame[["point", *_JUDGED]].astype("str").set_index("point").astype("object") for frame in (points, again)
    )
    after = after.reindex(before.index)
    same = ((before == after) | (before.isna() & after.isna())).all(axis=1)
    return after[~same].reset_index()


def asked(also: Iterable[str], recipe: str | Path | Mapping[str, Any] | Recipe, all_points: bool = False) -> Deliveries:
    """Return the further files asked for, or raise what speaks against one; see `Review.write`."""
    return Deliveries.of(also, _recipe(recipe), every=all_points)


def chosen(files: Iterable[str] = ()) -> tuple[str, ...]:
    """Return the parts of a review that words name, such as ``map`` or ``map,csv``: without any all but the plots.

    Raises
    ------
    CallError
        With every word that names none, and for plots if matplotlib is not installed.
    """
    from geoqa.outputs.plots import style

    words = dict.fromkeys(word.strip() for text in files for word in text.split(","))
    known = f"Choose from {', '.join(PARTS)}; run.json is always written."
    if faults := [Fault(word or "nothing", "there is no such file.", known) for word in words if word not in PARTS]:
        raise CallError.from_faults("--files cannot be done:", faults)
    if "plots" in words:
        style.refuse_missing()
    return tuple(words or (part for part in PARTS if part != "plots"))


def refuse_loss(
    folder: Path, sources: Iterable[Path], also: Iterable[str] = (), parts: Iterable[str] = tuple(PARTS)
) -> None:
    """Raise OutputError if a review of `sources` cannot be written to `folder` without losing what is there.

    `also` names the files to be written beside `parts`, those of every review.
    """
    from geoqa.outputs import folder as folders

    folders.refuse_loss(folder, (*(name for part in parts for name in PARTS[part]), "run.json", *also), sources)


def _recipe(recipe: str | Path | Mapping[str, Any] | Recipe) -> Recipe:
    from geoqa.readers.recipe.recipe import job_from_table, read_recipe

    if isinstance(recipe, Recipe):
        return recipe
    if isinstance(recipe, Mapping):
        return job_from_table(recipe, "recipe")
    return read_recipe(Path(recipe))


def with_decisions(recipe: Path, decisions: Path) -> Recipe:
    """Return the recipe with another file of decisions; the record names it from the recipe's folder, as recipes do."""
    from geoqa.readers.recipe.recipe import read_recipe

    stated = read_recipe(recipe)
    name = str(decisions.absolute())
    with contextlib.suppress(ValueError):  # on another drive
        name = os.path.relpath(name, recipe.parent.absolute())
    return replace(stated, decisions=core_job.Decisions(file=name))


def _named_files(job: Recipe) -> dict[str, Path]:
    """Return the files that the recipe names, by what they are for."""
    marks, bases = job.steps.get("nmea", {}).get("marks"), job.steps.get("gvx", {}).get("bases")
    named = {
        "lookup": job.match.file, "decisions": job.decisions.file, "checks": job.checks.file,
        "field test": job.field_test.file, "experience": job.experience.file,
        "marks": marks if isinstance(marks, str) else None, "bases": bases if isinstance(bases, str) else None,
        **job.canopy.files,
    }  # fmt: skip
    found = {kind: job.beside(name) for kind, name in named.items() if name is not None}
    drawn = {step: job.steps.get(step, {}).get("file") for step in ON_MAP}
    on_map = {kind: job.beside(name) for kind, name in drawn.items() if isinstance(name, str) and name}
    return found | {kind: path for kind, path in on_map.items() if path.is_file()}  # else the layer says what is wrong


def _placed(frame: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return a frame that has geometry as a GeoDataFrame in the job's CRS."""
    if "geometry" not in frame:
        return frame

    return gpd.GeoDataFrame(frame, geometry="geometry", crs=job.grid.system.crs)
