"""The sections that list: what to do, changes, decisions, conflicts, what is not delivered, rows set aside, the run."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

from geoqa.core import clock, geodesy
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames import wording
from geoqa.core.frames.contract import BEYOND, CONTRADICTORY, REVISITED, WITHHELD
from geoqa.core.frames.revisits import ACCEPT
from geoqa.core.job import Job
from geoqa.core.units import bounded, counted, duration, length, plain, signed, spoken
from geoqa.outputs import csv_tables, folder
from geoqa.outputs import record as record_of
from geoqa.outputs.report.document import (
    EMPTY,
    MOST,
    NAME,
    Block,
    FactList,
    Items,
    Listed,
    Section,
    TableBlock,
    Text,
    has,
    listed,
    listing,
    none,
    shown,
    table,
    word,
)

NOT_STATED = "not stated"
#: Names in a sentence, at most.
MOST_NAMED = 40


def sections(frames: Frames, job: Job, record: Mapping[str, Any], messages: Sequence[str], date: str) -> list[Section]:
    """Return the sections.

    Parameters
    ----------
    record
        What run.json holds: inputs, recipe, accounts, versions, steps.
    messages
        What the run said.
    date
        Day that the report is made on.
    """
    made = [Section("What to observe again", tuple(_revisits(frames, job)))]
    made.append(Section("What changed since the earlier review", tuple(_changes(frames))))
    return [
        *made,
        Section("The reviewer's decisions", tuple(_decisions(frames))),
        Section("The worst closures, and conflicts", tuple(_worst(frames, job))),
        Section("Points not delivered", tuple(_withheld(frames, job))),
        Section("Rows set aside", tuple(_aside(frames, record))),
        Section("Coordinates and equipment", tuple(_frame(job))),
        Section("The run", tuple(_run(record, messages))),
        Section("Words", (FactList(tuple(wording.GLOSSARY.items())),)),
        Section("Annex: the points", (*_delivered(frames, job, record, date), *_record(frames, job))),
    ]


def _revisits(frames: Frames, job: Job) -> list[Block]:
    if "revisits" not in frames:
        return none("Revisits were not planned.")
    revisits = frames["revisits"].sort_values("rank")
    if revisits.empty:
        return none("Nothing has to be observed again.")
    accept = (revisits["action_key"] == ACCEPT).to_numpy()
    found = [*_to_go(revisits[~accept], job)]
    if accept.any():
        names = [shown(name, 40) for name in revisits.loc[accept, "point"].iloc[:MOST_NAMED]]
        left = int(accept.sum()) - len(names)
        more = f" and {left:,} more in the layer revisits of review.gpkg" if left else ""
        was = "was" if accept.sum() == 1 else "were"
        found.append(
            Text(
                f"{counted(int(accept.sum()), 'point')} {was} observed once by plan and may be accepted as that, "
                f"which shows nothing of them: {', '.join(names)}{more}."
            )
        )
    return found


def _to_go(revisits: pd.DataFrame, job: Job) -> list[Block]:
    if revisits.empty:
        return [Text("Nobody has to go anywhere again.")]
    rows = revisits.head(MOST)
    chance: Listed = (
        "settled by one visit, of such points",
        [_chance(row) for row in rows.itertuples(index=False)],
        False,
    )
    columns = listed("revisits", rows, REVISITED, {70: chance}, job)
    return [
        Text(
            "In the order of need; the field sheet (revisits.html) has them in walking order. "
            f"{clock.zone_sentence(job)} The last column: how often one more visit settled such a point here, "
            "with 95 % bounds and the number of such points."
        ),
        listing("Points to observe again", columns, "revisits", len(revisits)),
    ]


def _chance(row: Any) -> str:
    if row.chance != row.chance:
        return "no record"
    return f"{bounded(row.chance, row.chance_low, row.chance_high)} of {row.chance_n:,}"


def _changes(frames: Frames) -> list[Block]:
    if "changes" not in frames:
        return none("No earlier review was given to compare with.")
    changes = frames["changes"]
    moved = changes[changes["change"].astype("str") != "same"]
    if moved.empty:
        return none("No point has changed.")
    rows = [
        (
            shown(row.point, 40), str(row.change), word(row.status_before), word(row.status),
            word(row.deliver_before), word(row.deliver), word(row.revisit),
        )
        for row in moved.head(MOST).itertuples(index=False)
    ]  # fmt: skip
    head = ("point", "change", "status before", "status now", "delivered before", "now", "revisit")
    return [table("Points that changed", head, rows, (), "changes", len(moved))]


def _decisions(frames: Frames) -> list[Block]:
    if not has(frames, "decisions"):
        return none("No decision of a reviewer was given.")
    rows = [
        (
            str(row.action), str(row.kind), shown(row.target, 80), shown(row.who, 60), shown(row.when, 40),
            shown(row.why, 200),
        )
        for row in frames["decisions"].itertuples(index=False)
    ]  # fmt: skip
    return [
        Text("Status and delivery stay what the evidence says."),
        table("Decisions", ("what", "of", "target", "who", "when", "why"), rows, (), "decisions"),
    ]


def _worst(frames: Frames, job: Job) -> list[Block]:
    """Return the points whose closures are beyond what is accepted, the worst first, then each closure in conflict."""
    points = frames["points"].iloc[wording.worst_first(frames["points"])]
    beyond = points[(points["excess"] > 1).to_numpy(bool)]
    if beyond.empty and not points["status"].isin(CONTRADICTORY).any():
        return none("No closure is beyond what the job accepts.")
    if beyond.empty:
        return _conflicts(points, frames["closures"], job)
    title = f"Closures beyond what is accepted, at {counted(len(beyond), 'point')}, the worst first"
    columns = listed("points", rows := beyond.head(MOST), BEYOND, _limits(rows, job, 30, "horizontal"), job)
    found: list[Block] = [Text(wording.ABOUT_LIMIT), listing(title, columns, "points", len(beyond))]
    return found + _conflicts(points, frames["closures"], job)


def _limits(points: pd.DataFrame, job: Job, place: float, head: str) -> dict[float, Listed]:
    """Return the largest closures of points beside what is accepted of them, horizontal and height, from a place on."""
    pairs = (("worst_horizontal_m", "limit_h_m"), ("worst_vertical_m", "limit_v_m"))
    cells = [
        [wording.beside_limit(length, limit, unit) for length, limit in points[[*pair]].to_numpy(dtype=float)]
        for pair, unit in zip(pairs, job.grid.units, strict=True)
    ]
    return {place: (head, cells[0], False), place + 10: ("height", cells[1], False)}


def _conflicts(points: pd.DataFrame, closures: pd.DataFrame, job: Job) -> list[Block]:
    """Return the closures in conflict, in the order of their points."""
    names = points.loc[points["status"].isin(CONTRADICTORY), "point"].astype("str")
    place = pd.Index(names).get_indexer(closures["point"].astype("str"))
    mine = (place >= 0) & closures["status"].isin(CONTRADICTORY).to_numpy()
    if not mine.any():
        return []
    unit, up = job.grid.units
    size = np.fmax(
        closures["horizontal_m"] / closures["tolerance_h_m"], closures["du_m"].abs() / closures["tolerance_v_m"]
    )
    listed = closures.iloc[np.flatnonzero(mine)[np.lexsort([-size[mine], place[mine]])]]
    rows = [
        (
            shown(row.point, 40), duration(row.gap_s), str(row.independence_h), signed(row.de_m, unit),
            signed(row.dn_m, unit), wording.beside_limit(row.horizontal_m, row.tolerance_h_m, unit),
            wording.beside_limit(row.du_m, row.tolerance_v_m, up),
        )
        for row in listed.head(MOST).itertuples(index=False)
    ]  # fmt: skip
    head = ("point", "time between", "independence", f"east, {unit}", f"north, {unit}", "horizontal", "height")
    return [
        Text("Each closure that is beyond tolerance and unusual for its precision: later minus earlier."),
        table(f"Conflicts of {counted(len(names), 'point')}", head, rows, (1, 3, 4), "closures", len(listed)),
    ]


def _withheld(frames: Frames, job: Job) -> list[Block]:
    points = frames["points"]
    held = points[points["deliver"] == "no"]
    if held.empty:
        return none("Every point may be delivered.")
    held = held.iloc[wording.worst_first(held)]
    more = _limits(rows := held.head(MOST), job, 50, "largest closure, horizontal")
    columns = listed("points", rows, WITHHELD, more, job)
    title = f"{counted(len(held), 'point')}, the worst first"
    return [Text(wording.ABOUT_LIMIT, small=True), listing(title, columns, "points", len(held))]


def _aside(frames: Frames, record: Mapping[str, Any]) -> list[Block]:
    accounts = tuple(
        f"{shown(file, 120)}: {n['read']:,} {kind} read, {n['used']:,} used, {n['set_aside']:,} set aside"
        for file, kinds in record.get("accounts", {}).items()
        for kind, n in kinds.items()
    )
    found: list[Block] = [Items(accounts)] if accounts else []
    if not has(frames, "set_aside"):
        return [*found, Text("No row was set aside.")]
    rows = [
        (shown(str(row.source_file), 60), f"{row.source_line:,}", shown(row.reason, 200), shown(row.row, 100))
        for row in frames["set_aside"].head(MOST).itertuples(index=False)
    ]
    return [
        *found,
        table(
            "Rows that are not used",
            ("file", "line", "why", "row"),
            rows,
            (1,),
            "set_aside",
            len(frames["set_aside"]),
        ),
    ]


def _frame(job: Job) -> list[Block]:
    """Return in what the coordinates are, and what was used; what nobody stated is said not to be."""
    told = job.report
    local = job.site.crs == geodesy.LOCAL
    system = "a local frame" if local else f"{job.grid.system.name} ({job.site.crs})"
    base = [
        (word, value) for word, value in (("horizontal", job.base.sigma_h_m), ("height", job.base.sigma_v_m)) if value
    ]
    unit = job.grid.unit
    rows = (
        ("Coordinate system", shown(system)),
        ("Datum and realization", shown(told.datum or NOT_STATED)),
        ("Epoch", shown(told.epoch or NOT_STATED)),
        ("Heights", shown(job.site.height or NOT_STATED)),
        ("Geoid model", shown(told.geoid or NOT_STATED)),
        ("Localization", shown(job.site.localization or NOT_STATED)),
        ("Combined factor", NOT_STATED if job.site.combined_factor is None else f"{job.site.combined_factor:.8f}"),
        (
            "Unit",
            f"{spoken(unit)}" + ("" if job.grid.unit_up == unit else f"; heights in {spoken(job.grid.unit_up)}"),
        ),
        ("Base coordinates", shown(told.base_coordinates or NOT_STATED)),
        ("Source of the base coordinates", shown(told.base_source or NOT_STATED)),
        (
            "Uncertainty of the base, one sigma",
            ", ".join(f"{word} {length(value, unit)}" for word, value in base)
            or f"{NOT_STATED}: coordinates and uncertainties are relative to the base",
        ),
        ("Equipment", shown(told.equipment or NOT_STATED)),
        ("Corrections", shown(told.corrections or NOT_STATED)),
    )
    return [FactList((*rows, *_asked_of_record(job)))]


#: Further keys of ``[report]``, and how they are called.
METADATA = {
    "firmware": "Firmware", "mask_deg": "Elevation mask, degrees", "least_satellites": "Least number of satellites",
    "recording_rate_s": "Time between epochs, s", "weather": "Weather", "obstructions": "Obstructions",
    "survey_class": "Class of survey", "grid_factor": "Grid factor", "network_base": "Base of network corrections",
}  # fmt: skip


def _asked_of_record(job: Job) -> list[tuple[str, str]]:
    """Return what agencies ask a record to state, as far as it is stated, and what of it is missing."""
    stated = {key: value for key in METADATA if (value := getattr(job.report, key)) is not None}
    told = [(METADATA[key], shown(plain(v, 9) if isinstance(v, float) else v)) for key, v in stated.items()]
    wanted = dict.fromkeys((*job.procedure.metadata, *(("mask_deg",) if "mask_deg" in job.procedure.asked else ())))
    missing = [METADATA.get(key, key.replace("_", " ")) for key in wanted if getattr(job.report, key) is None]
    return [*told, *([("Missing, and the procedure asks for it", ", ".join(missing))] if missing else [])]


#: Delivered points that the annex lists; of more it names the file. Points whose record it has; the file has them all.
MOST_DELIVERED, MOST_RECORDED = 300, 400


def _delivered(frames: Frames, job: Job, record: Mapping[str, Any], date: str) -> list[Block]:
    """Return what is signed: each delivered point with coordinate, uncertainty, status, or the file of them."""
    points = frames["points"]
    given = points[(points["deliver"] == "yes").to_numpy()]
    files = ", ".join(f"{shown(str(one['file']), 80)} (SHA-256 {one['sha256']})" for one in record.get("inputs", ()))
    facts = [("Date", date), ("Review", str(record.get("id", ""))), ("Made of", files)]
    if len(given) > MOST_DELIVERED:
        content = csv_tables.content(csv_tables.fields("points", points, job))
        facts += [
            ("Delivered", f"{counted(len(given), 'point')}, those marked deliver = yes in points.csv"),
            ("points.csv", f"{counted(len(points), 'row')}, SHA-256 {hashlib.sha256(content).hexdigest()}"),
        ]
    blocks: list[Block] = [FactList(tuple(row for row in facts if row[1]))]
    if not len(given) or len(given) > MOST_DELIVERED:
        return blocks
    columns = [csv_tables.field("points", given, name, job) for name in SIGNED]
    cells = [[shown(text, NAME) or "–" for text in column.written()] for column in columns]
    head = tuple(f"{shown(one.key.replace('_', ' '))}{f', {one.unit}' if one.unit else ''}" for one in columns)
    title = f"Delivered: {counted(len(given), 'point')}"
    numbers = tuple(k for k, one in enumerate(columns) if one.decimals is not None)
    return [
        *blocks,
        TableBlock(title, head, tuple(zip(*cells, strict=True)), numbers),
        Text("radius95 and up95: the horizontal error, and the height error, is within this with 95 %.", small=True),
    ]


#: What is signed of each delivered point, in this order.
SIGNED = ("point", "easting_m", "northing_m", "height_m", "radius95_m", "up95_m", "status")


def _record(frames: Frames, job: Job) -> list[Block]:
    """Return each point on a line: its visits, what they differ by, the check shots around them, the procedure."""
    points, kept = frames["points"], record_of.lines(frames, job, MOST_RECORDED)
    # A visit a line; what parts them is no text of a file's once nothing in that is hidden.
    rows = [tuple(shown(c, 600).replace("; ", "\n") or "–" for c in row) for row in kept.itertuples(index=False)]
    head = ["point", "visits: when, base, initialization, crew, how long", "time between", "closure from the first",
            "check shot before and after", "procedure"]  # fmt: skip
    filled = [k for k, column in enumerate(zip(*rows, strict=True)) if k == 0 or not EMPTY.issuperset(column)]
    left = len(points) - len(kept)
    more = f"and {left:,} more in record.csv" if left else ""
    cells = tuple(tuple(row[k] for k in filled) for row in rows)
    return [
        Text(f"As record.csv has it, one line a point. {clock.zone_sentence(job)} The number is that of the visit; a "
             "check shot is the nearest of the same day and base.", small=True),
        TableBlock("The record", tuple(head[k] for k in filled), cells, more=more),
    ]  # fmt: skip


def _value_text(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)


def _run(record: Mapping[str, Any], messages: Sequence[str]) -> list[Block]:
    files = [
        f"{shown(str(one['file']), 80)}, read as {shown(str(one['reader']), 30)}, {one['bytes']:,} bytes, SHA-256 "
        f"{one['sha256']}"
        for one in record.get("inputs", ())
    ]
    versions = ", ".join(f"{name} {version}" for name, version in record.get("versions", {}).items())
    plugins = record.get("plugins", {})
    used = ", ".join(f"{one['step']} ({one['distribution']} {one['version']})" for one in plugins.get("used", ()))
    found: list[Block] = [
        Text("Files that were read:"),
        Items(tuple(files)),
        FactList((("Versions", versions), ("Steps of other distributions", shown(used) or "none"))),
    ]
    if messages:
        found += [Text("What the run said:"), Items(tuple(shown(text, 800) for text in messages[:80]))]
    if len(messages) > 80:
        found.append(Text(f"and {len(messages) - 80:,} more in run.json", small=True))
    return [*found, table("The recipe as completed", ("table", "keys"), _recipe(record), (), "run.json")]


def _recipe(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return each table of the recipe with its keys."""
    rows: list[tuple[str, str]] = []
    for name, table_of in record.get("recipe", {}).items():
        many = table_of if isinstance(table_of, list) else [table_of]
        told = "[[{}]]" if isinstance(table_of, list) else "[{}]"
        for one in many:
            # Of values that a preset gives the preset is named, see `Tolerance.signed_reference`.
            pairs = (
                (key.partition("] ")[2], value)
                for key, value in folder.flat_keys(one, "[]")
                if key.partition("] ")[2] != "reference" or not one.get("purpose")
            )
            keys = "; ".join(f"{shown(key, 80)} = {shown(_value_text(value), 160)}" for key, value in pairs)
            rows.append((told.format(shown(name, 40)), keys or "nothing stated"))
    return rows
