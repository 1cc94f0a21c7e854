"""The map: drawings and their context in, one self-contained HTML file out."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import PurePath
from typing import Any

from geoqa.core import clock, geodesy, recipe, units
from geoqa.core.arrays import Array, Frames, np, pd, shapely
from geoqa.core.drawing import Drawing
from geoqa.core.frames import wording
from geoqa.core.frames.contract import STATUSES, USED
from geoqa.core.frames.control import CHECK
from geoqa.core.frames.revisits import to_visit
from geoqa.core.frames.schema import ACTIONS, DECISION_FILE, DECISION_KINDS, DELIVERIES
from geoqa.core.job import Job, tolerance_table
from geoqa.core.recipe import Tolerance
from geoqa.core.site import decisions
from geoqa.outputs import key_tables, layers, offline, symbology
from geoqa.outputs.header import APPROXIMATE, CAUTIONS, PLAIN_FRAME
from geoqa.outputs.layers import outlines, popup
from geoqa.outputs.map import block, grid_fit
from geoqa.outputs.map.packing import Pack
from geoqa.outputs.text import display_text, json_for_html, map_text

STYLES = ("map.css", "decide.css")
#: In the order they are loaded: each uses only those before it.
SCRIPTS = (
    "units.js", "packed.js", "geometry.js", "told.js", "draft.js", "choice.js", "cells.js", "state.js",
    "symbols.js", "layer.js", "elements.js", "chart.js", "panel.js", "story.js", "decide.js", "key.js", "finder.js",
    "what_if.js", "start.js",
)  # fmt: skip
_PLAIN_NAME = re.compile("[0-9A-Za-z_]+(?:[ ./#-][0-9A-Za-z_]+)*")
#: How many input files a title block names with the beginning of their checksum.
CHECKSUMS, NOT_STATED = 3, "not stated"
#: What is said otherwise of a site in a frame of its own.
_PLAIN: dict[str, Any] = {"cautions": (*CAUTIONS, PLAIN_FRAME), "north": "North of the local frame is up"}


@dataclass(frozen=True)
class KeyTable:
    """A table that the key offers: its rows of text below headings, one sentence, and what each row opens.

    `opens` names a drawing by its title and an entry of it; a row that opens nothing on the map may name any.
    """

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    about: str
    opens: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class MapContext:
    """What the map says beside its drawings.

    Attributes
    ----------
    title
        Name of the site.
    statuses, deliveries
        Number of points of each status, and of each answer to whether it may be delivered.
    tolerance, requirement
        Both in words, in the job's unit.
    crs
        Name of the coordinate system.
    unit, unit_up
        Unit of the job's lengths, and of its heights.
    notes
        Further sentences for the key, such as that only the horizontal was judged.
    tables
        Tables that the key offers: what stated precision is worth by cover, errors that occupations share.
    expectation_known
        Whether any precision was known, so that usual and unusual could be told apart.
    cautions
        See `geoqa.outputs.header`.
    review_id
        What tells the review from others; none where it is not known.
    north
        Which north is up.
    zone, ahead
        The time zone that times are told in, and by how many seconds it is ahead of UTC from when on, see
        `geoqa.core.clock.offsets`.
    lonlat
        Whether the job counts in longitude and latitude.
    grid
        How the job's coordinates follow from a place on the map, see `geoqa.outputs.map.grid_fit`; None where the
        job counts in longitude and latitude, or no polynomial serves.
    scope
        Which axis alone is judged, a sentence; empty where both are.
    off_control
        Which base set-ups known coordinates contradict, a sentence; empty where none.
    go_back, look_up
        How many points are to be visited again (None where nothing says), and how many of them the records may settle.
    checked
        Whether any point was compared with a known coordinate; None where nothing says.
    block
        What stands in the title block of a print, by its name.
    settled
        By the name of a shift the points that are judged otherwise without it: ``point``, ``status``, ``deliver``,
        ``reason`` and ``deliver_reason`` as they then are, null where a point is no more.
    tried
        For each factor on the tolerance the status of each point, its place among the statuses as a digit: ``point``
        and ``tried``, null where only a new review could tell. None where no factors were tried.
    factors
        These factors, from the least, in equal steps.
    limits
        The tolerances that a factor bears on, the job's own first, each with the table of the recipe it stands in.
    decide
        What deciding on points needs beside them, see `_decide`; None where rows do not say where they stand.
    """

    title: str
    statuses: Mapping[str, int]
    deliveries: Mapping[str, int]
    tolerance: str
    requirement: str
    crs: str
    unit: str = "m"
    unit_up: str = "m"
    notes: tuple[str, ...] = ()
    tables: tuple[KeyTable, ...] = ()
    expectation_known: bool = True
    cautions: tuple[str, ...] = (*CAUTIONS, APPROXIMATE)
    review_id: str = ""
    north: str = "True north is up"
    zone: str = "UTC"
    ahead: Sequence[tuple[int, int]] = ()
    lonlat: bool = False
    grid: Mapping[str, Any] | None = None
    scope: str = ""
    off_control: str = ""
    go_back: int | None = None
    look_up: int = 0
    checked: bool | None = None
    block: tuple[tuple[str, str], ...] = ()
    settled: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    tried: pd.DataFrame | None = None
    factors: tuple[float, ...] = ()
    limits: tuple[tuple[str, Tolerance], ...] = ()
    decide: Mapping[str, Any] | None = None

    @classmethod
    def of(
        cls,
        frames: Frames,
        job: Job,
        notes: Sequence[str] = (),
        review_id: str = "",
        inputs: Sequence[Mapping[str, Any]] = (),
    ) -> MapContext:
        """Return the context of a reviewed job; `frames` holds ``points`` with status and deliver.

        `inputs` are those that its record names, each with ``file`` and ``sha256``.
        """
        points, unit = frames["points"], job.grid.unit
        return cls(
            title=job.site.name,
            statuses=_counts(points["status"], STATUSES),
            deliveries=_counts(points["deliver"], DELIVERIES),
            tolerance=_with_roles(
                job.tolerance.spoken(*job.grid.units),
                ((name, role.tolerance.spoken(*job.grid.units)) for name, role in job.roles.items()),
            ),
            requirement=_with_roles(
                job.requirement.spoken(*job.grid.units),
                ((name, role.requirement.spoken(*job.grid.units)) for name, role in job.roles.items()),
            ),
            crs=job.grid.system.name,
            unit=unit,
            unit_up=job.grid.unit_up,
            notes=tuple(notes),
            review_id=review_id,
            tables=_tables(frames, job),
            expectation_known=_expectation_known(frames),
            zone=clock.name(job),
            ahead=clock.offsets(_seconds(frames), job),
            lonlat=job.grid.system.geographic,
            grid=_grid(points, job),
            scope=recipe.judged_words(points),
            off_control=wording.off_control(frames, job),
            **_answers(frames),
            block=_title_block(frames, job, inputs),
            limits=(
                ("[tolerance]", job.tolerance),
                *((tolerance_table(name), role.tolerance) for name, role in job.roles.items()),
            ),
            decide=_decide(frames, job),
            **(_PLAIN if job.site.crs == geodesy.LOCAL else {}),
        )


def build_map(drawings: Sequence[Drawing], context: MapContext) -> str:
    """Return the map as the text of one HTML file that opens with no network.

    The same drawings and context give the same text.

    Parameters
    ----------
    drawings
        What the layers drew, in the order the layer control lists them.
    context
        What the key says.

    Raises
    ------
    StepError
        If a drawing holds what cannot be drawn.
    """
    title = map_text(context.title)
    heads, pack = block.packed(drawings, context.grid)
    labels = [drawing.columns["label"] for drawing in drawings if drawing.points]
    asked = _asked_otherwise(context, pd.Index(labels[0], dtype=object), pack) if labels else {}
    head = {"context": {**_context(context), **asked}, "drawings": heads}
    return offline.page(
        title,
        _head(title, context),
        [offline.lean(offline.static_text(name)) for name in STYLES],
        [offline.lean(offline.static_text(name)) for name in SCRIPTS],
        {"geoqa-head": json_for_html(head), "geoqa-block": json_for_html(pack.text())},
        _tile_servers(drawings),
        max_zoom=26, zoom_snap=0.25, zoom_delta=1, attribution_control=False, zoom_control=False,
        fade_animation=False,
    )  # fmt: skip


def _tables(frames: Frames, job: Job) -> tuple[KeyTable, ...]:
    """Return the tables that say something."""
    found = []
    if "shifts" in frames:
        rows = key_tables.shift_table(frames["shifts"], job)
        about = key_tables.SHIFT_AFTER if job.steps.get("shifts", {}).get("apply") else key_tables.SHIFT_ABOUT
        opens = tuple((layers.SHIFTS, row[0]) for row in rows)
        found.append(KeyTable(key_tables.SHIFT_TITLE, key_tables.shift_head(job), tuple(rows), about, opens))
    if "zones" in frames:
        rows = key_tables.zone_table(frames["zones"])
        opens = tuple((layers.ZONES, row[0]) for row in rows)
        found.append(KeyTable(key_tables.ZONE_TITLE, key_tables.ZONE_HEAD, tuple(rows), key_tables.ZONE_ABOUT, opens))
    if "control_checks" in frames:
        checks = frames["control_checks"]
        rows = key_tables.control_table(checks, job)
        told = key_tables.control_about(checks)
        opens = tuple((layers.POINTS, name) for name in key_tables.control_points(checks))
        found.append(KeyTable(key_tables.CONTROL_TITLE, key_tables.control_head(job), tuple(rows), told, opens))
    if "classes" in frames:
        rows = key_tables.class_table(frames["classes"], job)
        found.append(KeyTable(key_tables.CLASS_TITLE, key_tables.class_head(job), tuple(rows), key_tables.CLASS_ABOUT))
    return tuple(table for table in found if table.rows)


def _answers(frames: Frames) -> dict[str, Any]:
    """Return how many points are to be visited again, and whether anything known was measured."""
    said: dict[str, Any] = {}
    if (revisits := frames.get("revisits")) is not None and "action_key" in revisits:
        rows, look_up = to_visit(revisits)
        said = {"go_back": len(rows), "look_up": int(look_up.sum())}
    if (checks := frames.get("control_checks")) is not None:
        said["checked"] = bool((checks["use"].astype("str") == CHECK).any())
    return said


def _title_block(frames: Frames, job: Job, inputs: Sequence[Mapping[str, Any]]) -> tuple[tuple[str, str], ...]:
    """Return what the title block of a print names; the day it is printed on is the browser's to tell."""
    days = clock.days(frames["occupations"]["start_utc"], job).dropna() if "start_utc" in frames["occupations"] else ()
    ends = dict.fromkeys(day.strftime(clock.DAY) for day in (min(days), max(days))) if len(days) else ()
    files = [f"{one['file']} {one['sha256'][:16]}" for one in inputs[:CHECKSUMS]]
    more = [f"{len(inputs) - CHECKSUMS} more in run.json"] if len(inputs) > CHECKSUMS else []
    return (
        ("observed", " to ".join(ends) or NOT_STATED),
        ("system", job.grid.system.name),
        ("heights", job.site.height or NOT_STATED),
        ("prepared by", job.report.prepared_by or NOT_STATED),
        ("SHA-256 begins", "; ".join([*files, *more]) or NOT_STATED),
    )


def _decide(frames: Frames, job: Job) -> dict[str, Any] | None:
    """Return what a file of decisions is made of that no table has: texts are as they are read, not as they are shown.

    Returns
    -------
    dict
        ``columns``, ``actions`` and ``kinds`` of the file, ``file`` its name, ``stated`` whether the recipe names it;
        ``entries``, the decisions that the review had, each with its cells and the point that its rows belonged to;
        ``files`` that rows count by and ``names`` of points by their index where they are shown otherwise: null
        where a file of decisions cannot hold the name; ``queue``, what a person has to decide, in order.
    """
    points, occupations = frames["points"], frames["occupations"]
    if not {"source_file", "source_line"} <= set(occupations):
        return None
    entries = []
    if "decisions" in frames:
        table = frames["decisions"][[*DECISION_FILE, "point_before"]].astype(object)
        entries = [[str(cell) for cell in row] for row in table.where(table.notna(), "").to_numpy().tolist()]
    names = popup.texts(points, "point")
    # Plain names, nearly all, stand for themselves.
    odd = [(i, name) for i, name in enumerate(names) if not _PLAIN_NAME.fullmatch(name)]
    written = [(i, name, name if decisions.target(name) == name else None) for i, name in odd]
    return {
        "columns": DECISION_FILE, "actions": ACTIONS, "kinds": DECISION_KINDS,
        "file": PurePath(job.decisions.file or "decisions.csv").name, "stated": job.decisions.file is not None,
        "entries": entries,
        "files": [decisions.target(name) for name in popup.files(occupations)],
        "names": {i: own for i, name, own in written if display_text(name) != own},
        "queue": wording.QUEUE, "row": popup.ROW, "asked": popup.QUEUE,
    }  # fmt: skip


def _counts(values: pd.Series, words: Sequence[str]) -> dict[str, int]:
    found = values.value_counts()
    return {word: int(found.get(word, 0)) for word in words}


def _expectation_known(frames: Frames) -> bool:
    """Return whether the closures were tested against a precision; without closures nothing says otherwise."""
    closures = frames.get("closures")
    tested = [name for name in ("p_h", "p_v") if closures is not None and name in closures]
    return not tested or closures is None or closures.empty or bool(closures[tested].notna().any(axis=None))


def _grid(points: pd.DataFrame, job: Job) -> dict[str, Any] | None:
    """Return the polynomial of the job's grid around the points."""
    system = job.grid.system
    if system.geographic or points.empty or "geometry" not in points:
        return None
    box = shapely.total_bounds(np.asarray(points["geometry"]))
    if not np.isfinite(box).all():
        return None
    return grid_fit.fit(system, *system.degrees(box[[0, 2, 0, 2]], box[[1, 1, 3, 3]]))


def _seconds(frames: Frames) -> Array:
    """Return the first and the last moment of each column of times that a click may tell, seconds since 1970."""
    columns = (
        frame[name]
        for key in ("occupations", "revisits")
        if (frame := frames.get(key)) is not None
        for name in frame.columns
        if name.endswith("_utc")
    )
    ends = [block.times([column.min(), column.max()]) for column in columns]
    return np.concatenate(ends) if ends else np.zeros(0)


def _with_roles(whole: str, own: Iterable[tuple[str, str]]) -> str:
    """Return what holds for the whole job, and what roles have of their own."""
    return "; ".join([whole, *(f"{name}: {words}" for name, words in own if words != whole)])


def _head(title: str, context: MapContext) -> str:
    """Return the HTML before the map; readable without scripts."""
    total, ready = sum(context.statuses.values()), context.deliveries.get("yes", 0)
    counts = ", ".join(f"{context.statuses.get(status, 0)} {status}" for status in STATUSES)
    alone = f" <strong>{map_text(context.scope)}</strong>" if context.scope else ""
    cautions = "".join(f"<li>{map_text(caution)}</li>" for caution in context.cautions)
    told = "".join(f"<dt>{map_text(name)}</dt><dd>{map_text(text)}</dd>" for name, text in context.block)
    printed = '<dt>printed</dt><dd class="gq-printed"></dd>'
    block = f'<dl class="gq-block">{told}{printed}</dl>' if told else ""
    decide = '<p class="gq-deciding"></p>' if context.decide else ""
    first = f"<p><strong>{map_text(context.off_control)}</strong></p>" if context.off_control else ""
    look = f" ({context.look_up:,} to look up first)" if context.look_up else ""
    back = f"Go back to {units.counted(context.go_back or 0, 'point')}{look}; " if context.go_back is not None else ""
    known = "" if context.checked is not False else " <strong>No check on a known point.</strong>"
    return (
        f'<header class="gq-head"><h1><bdi dir="auto">{title}</bdi></h1>{first}'
        f'<p class="gq-answer"><strong>{back}{ready:,} may be delivered.</strong>{known}</p>'
        f"<p>{units.counted(total, 'point')} reviewed, {total - ready:,} not to be delivered.{alone}"
        f"{f' <span>Review {map_text(context.review_id)}</span>' if context.review_id else ''}</p>\n"
        f"{decide}{block}</header>\n"
        f"<noscript><p>The drawing needs JavaScript. In words: {counts}.</p><ul>{cautions}</ul></noscript>"
    )


def _context(context: MapContext) -> dict[str, Any]:
    """Return the context and the table of symbols as plain values of safe text."""
    lines = ("title", "tolerance", "requirement", "crs", "unit", "north", "zone")
    return {
        **{name: display_text(getattr(context, name)) for name in lines},
        "unitName": units.spoken(context.unit),
        "unitUp": context.unit_up,
        "metresPerUnitUp": units.METRES_PER.get(context.unit_up, 1.0),
        "used": USED,
        "metresPerUnit": units.METRES_PER.get(context.unit, 1.0),
        "expectationKnown": context.expectation_known,
        "grid": context.grid,
        "ahead": context.ahead,
        "glossary": wording.GLOSSARY,
        "lonlat": context.lonlat,
        "review": display_text(context.review_id),
        "decide": context.decide,
        "notes": [display_text(note) for note in context.notes],
        "tables": [
            {
                "title": display_text(table.title),
                "head": [display_text(cell) for cell in table.head],
                "rows": [[display_text(cell) for cell in row] for row in table.rows],
                "about": display_text(table.about),
                "opens": [[display_text(word) for word in one] for one in table.opens],
            }
            for table in context.tables
        ],
        "cautions": [display_text(caution) for caution in context.cautions],
        "symbols": [
            {**asdict(symbology.SYMBOLS[status]), "rank": symbology.SYMBOLS[status].rank,
             "count": int(context.statuses.get(status, 0))}
            for status in STATUSES
        ],
        "delivery": [
            {**asdict(mark), "count": int(context.deliveries.get(key, 0))} for key, mark in symbology.DELIVERY.items()
        ],
        "tolerances": symbology.TOLERANCE,
        "expectations": symbology.EXPECTATION,
    }  # fmt: skip


def _asked_otherwise(context: MapContext, names: pd.Index, pack: Pack) -> dict[str, Any]:
    """Return how points would be judged without a shift, and under other tolerances: columns by their places."""
    code = pd.Index(STATUSES)
    settled = []
    for name, points in context.settled.items():
        found = points.assign(at=names.get_indexer(points["point"].astype(object))).query("at >= 0").sort_values("at")
        settled.append(
            {
                "name": display_text(name),
                "command": display_text(f"geoqa review --apply-shift {shlex.quote(name)}"),
                "recipe": ["[step.shifts]", display_text(f"apply = [{json.dumps(name, ensure_ascii=False)}]")],
                "entry": pack.numbers(found["at"]),
                "status": pack.numbers(code.get_indexer(found["status"])),
                "mark": pack.numbers(found["deliver"].map({key: m.marked for key, m in symbology.DELIVERY.items()})),
                "reason": pack.texts(found["reason"]),
                "because": pack.texts(found["deliver_reason"]),
            }
        )
    if context.tried is None or not context.factors:
        return {"settled": settled}
    said = context.tried["tried"].astype(object).set_axis(context.tried["point"]).reindex(names)
    tried = {
        "factors": context.factors,
        "statuses": STATUSES,
        "told": pack.texts(said.fillna("").array),
        "said": pack.texts(
            [context.limits[0][1].times(f).limits(context.unit, context.unit_up) for f in context.factors]
        ),
        "limits": [
            {"table": display_text(table), "numbers": limit.numbers(), "convention": limit.convention}
            for table, limit in context.limits
        ],
    }
    return {"settled": settled, "tried": tried}


def _tile_servers(drawings: Sequence[Drawing]) -> list[str]:
    """Return where pictures may come from: from the page itself where a layer holds one, from an online background."""
    own = ["data:" for drawing in drawings if drawing.kind == "picture"]
    return [*own, *(outlines.server(url) for drawing in drawings for url in drawing.columns.get("url", ()))]
