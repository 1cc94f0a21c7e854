"""The vectors of a GVX file: geocentric differences between marks, each an occupation of its terminal point.

GVX (GNSS Vector Exchange, version 1.0, of the US National Geodetic Survey) is read after its public schema: lengths in
metres, degrees, GPS time, vectors from mark to mark, standard deviations and correlations of their components. A file
may put ``ECEF_DELTAS`` and ``CORRELATION_MATRIX`` into ``QUALITY_CONTROL``, as a writer of the same agency does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from geoqa.core import clock, geodesy, input_files
from geoqa.core.arrays import Array
from geoqa.core.errors import Fault, InputError
from geoqa.core.geodesy import System
from geoqa.core.job import Recipe
from geoqa.core.recipe import LENGTHS, Source
from geoqa.core.steps import ReadResult
from geoqa.core.units import counted
from geoqa.readers import companions
from geoqa.readers.tables import coordinate_checks, typed_cells
from geoqa.readers.tables.coordinate_checks import GLOBE, PLANE
from geoqa.readers.tables.occupations import accounted
from geoqa.readers.tables.records import TextTable
from geoqa.readers.tables.typed_cells import TypedRows
from geoqa.readers.text import text_file

#: Records that are read, all children of the root.
RECORDS = ("REFERENCE_SYSTEM", "SURVEY_SETUP", "POINT", "GNSS_VECTOR", "SESSION")
#: Characters of one value.
LONGEST = 10_000
#: A base whose two sets of coordinates lie farther apart is not on the ellipsoid of the job, metres.
APART_M = 0.05
GEODETIC = ("LATITUDE", "LONGITUDE", "ELLIPSOIDAL_HEIGHT")
XYZ, DELTAS = ("X", "Y", "Z"), ("ECEF_DELTAS/DX", "ECEF_DELTAS/DY", "ECEF_DELTAS/DZ")
SIGMAS, CORRELATIONS = ("SDX", "SDY", "SDZ"), ("PXY", "PXZ", "PYZ")
_PAIRS, _LETTERS = ((0, 1), (0, 2), (1, 2)), ("EN", "EU", "NU")
#: The file's words for how a point was derived, and ours. Partly fixed ambiguities are no fixed solution.
SOLUTIONS = {"Fixed": "fixed", "Float": "float", "PartialFixed": "float", "Code": "differential"}
#: Columns of ours by the headings that the table is given.
OURS = {
    "point": "NAME", "height": "HEIGHT", "sigma_e": "SE", "sigma_n": "SN", "sigma_u": "SU", "cov_en": "CEN",
    "cov_eu": "CEU", "cov_nu": "CNU", "start": "START", "end": "END", "base": "BASE", "base_distance": "LENGTH",
    "solution": "SOLUTION", "method": "METHOD", "operator": "OPERATOR", "code": "CODE", "antenna_height": "ARP_HEIGHT",
    "satellites": "SATELLITES", "pdop": "PDOP", "correction_age": "CORRECTOR_AGE", "epochs": "EPOCHS_USED",
}  # fmt: skip
RESOLUTIONS, ELLIPSOIDAL = ("resolution_h_m", "resolution_v_m"), "ellipsoidal"
#: Most decimals of a metre that coordinates are written with.
FINEST = 7


@dataclass
class VectorFile:
    """What was found: the records of each kind, in order, as values by ``NAME`` or ``PARENT/NAME``, and their lines."""

    records: dict[str, list[dict[str, str]]] = field(default_factory=lambda: {kind: [] for kind in RECORDS})
    lines: list[int] = field(default_factory=list)

    def by_id(self, kind: str) -> dict[str, dict[str, str]]:
        """Return the records of a kind by their identifier; of several the last."""
        return {one.get("ID", ""): one for one in self.records[kind]}


class _Builder(input_files.XmlEvents):
    """Receives the parser's events."""

    kind, step = "GVX", "gvx"

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.found = VectorFile()
        self.record: dict[str, str] | None = None
        self.text: list[str] = []
        self.length = 0

    def root(self, space: str, name: str) -> None:
        if name.upper() != "GVX":
            raise InputError(f"{self.name}: is XML but no GVX (its root is {name[:120]!r}).")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self.stack) == 1 and attributes.get("VERSION", "1.0").strip() not in ("1", "1.0"):
            raise InputError(f"{self.name}: is GVX {attributes['VERSION'][:20]!r}; known is 1.0. Export it as that.")
        if len(self.stack) == 2 and name in RECORDS:
            self.record = {"ID": attributes["ID"]} if "ID" in attributes else {}
            self.found.records[name].append(self.record)
            if name == "GNSS_VECTOR":
                self.found.lines.append(self.line)
        self.text, self.length = [], 0

    def characters(self, text: str) -> None:
        if self.record is not None:
            self.text.append(text)
            self.length += len(text)
            if self.length > LONGEST:
                raise InputError(f"{self.name}: line {self.line}: a value of more than {LONGEST} characters.")

    def end(self, name: str) -> None:
        if len(self.stack) == 1:
            self.record = None
        elif self.record is not None and len(self.stack) > 1 and (text := "".join(self.text).strip()):
            key = name if len(self.stack) == 2 else f"{self.stack[-1]}/{name}"
            self.record.setdefault(key, " ".join(text.split()))
        self.text, self.length = [], 0


def vectors_of(path: Path, largest: float) -> VectorFile:
    """Return what the GVX file at `path`, as it is or compressed with gzip, holds; at least one vector.

    Raises
    ------
    InputError
        If it is no GVX 1.0, holds a document type, is larger or deeper than allowed, damaged or cut off, or counts in
        other units than the schema allows.
    """
    builder = _Builder(str(path))
    builder.feed(path, input_files.unpacked(path, text_file.read_bytes(path)), largest)
    found = builder.found
    if not found.records["GNSS_VECTOR"]:
        raise InputError(f"{path}: holds no GNSS_VECTOR. Export it with its vectors.")
    for kind in (kind for kind in RECORDS[:3] if found.records[kind]):
        name, times = Counter(one.get("ID", "") for one in found.records[kind]).most_common(1)[0]
        if times > 1:
            raise InputError(f"{path}: {kind} {name[:40]!r} stands {times} times: nothing says which is meant.")
    for one in found.records["REFERENCE_SYSTEM"]:
        units = one.get("LINEAR_UNIT/NAME", "meters"), one.get("ANGULAR_UNIT/NAME", "decimal degrees")
        if units[0].casefold() not in ("meters", "metres") or units[1].casefold() != "decimal degrees":
            raise InputError(
                f"{path}: REFERENCE_SYSTEM {one.get('ID', '')[:40]!r} counts in {' and '.join(units)[:80]}; GVX allows "
                "meters and decimal degrees alone. Export it again."
            )
    return found


class _Vectors:
    """The vectors of a file as arrays, and why some cannot be used."""

    def __init__(self, found: VectorFile, job: Recipe) -> None:
        self.found, self.system = found, geodesy.system(job.site.crs)
        self.rows, points = found.records["GNSS_VECTOR"], found.by_id("POINT")
        self.refused: dict[int, tuple[str, bool]] = {}
        self.ends = []
        for k, one in enumerate(self.rows):
            ids = [one.get(key, "") for key in ("INITIAL_POINT_ID", "TERMINAL_POINT_ID")]
            self.ends.append([points.get(point, {}) for point in ids])
            if lost := [point for point in ids if point not in points]:
                self.refuse(k, f"names the point {lost[0][:40]!r}, which is no POINT of the file")
        self.delta = self.numbers(DELTAS, "of the vector is no number")
        self.sigma = self.numbers([f"CORRELATION_MATRIX/{one}" for one in SIGMAS], "is no number")
        for row in np.flatnonzero((self.sigma <= 0).any(axis=1)).tolist():
            self.refuse(row, "has a standard deviation that is zero or negative")
        rho = self.numbers([f"CORRELATION_MATRIX/{one}" for one in CORRELATIONS], "is no number")
        self.covariance = np.einsum("ki,kj->kij", self.sigma, self.sigma)
        for (i, j), one in zip(_PAIRS, rho.T, strict=True):
            self.covariance[:, i, j] *= one
            self.covariance[:, j, i] *= one
        least = np.linalg.eigvalsh(np.nan_to_num(self.covariance))[:, 0]
        size = np.nan_to_num(self.sigma).max(axis=1, initial=0.0) ** 2
        for row in np.flatnonzero((np.abs(rho) > 1).any(axis=1) | (least < -1e-6 * size)).tolist():
            self.refuse(row, "has standard deviations and correlations that are no covariance")

    def refuse(self, k: int, reason: str) -> None:
        """Note why a vector cannot be used, if it can so far."""
        self.refused.setdefault(k, (reason, True))

    def numbers(self, keys: Sequence[str], problem: str) -> Array:
        """Return finite numbers of every vector, shape (vectors, keys); a vector that lacks one is refused."""
        values = np.array([[_number(row.get(key, "")) for key in keys] for row in self.rows], float)
        for k, i in zip(*np.nonzero(np.isnan(values)), strict=True):
            self.refuse(int(k), f"{keys[i].rpartition('/')[2]} {problem}")
        return values

    def texts(self, key: str) -> list[str]:
        """Return a value of every vector as it stands."""
        return [row.get(key, "") for row in self.rows]

    def at(self, end: int, key: str) -> list[str]:
        """Return a value of the initial (0) or terminal (1) point of every vector."""
        return [ends[end].get(key, "") for ends in self.ends]

    def setup(self, key: str) -> list[str]:
        """Return a value of the survey set-up of every vector."""
        setups = self.found.by_id("SURVEY_SETUP")
        return [setups.get(row.get("SURVEY_SETUP_ID", ""), {}).get(key, "") for row in self.rows]

    def decimals(self) -> int:
        """Return the most decimals that a component of a vector is written with."""
        return max((len(text.partition(".")[2]) for key in DELTAS for text in self.texts(key)), default=0)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return np.nan
    return value if abs(value) < 1e8 else np.nan


def _bases(
    vectors: _Vectors, job: Recipe, table: str | None, taken: str | None
) -> tuple[Array, list[Fault], list[str]]:
    """Return X, Y, Z of the initial point of every vector, what speaks against them, and what people should know.

    From the table of bases where that names the point, else from the file: its system, or `taken`, must be the job's.
    """
    system, faults, said = vectors.system, list[Fault](), list[str]()
    known = known_bases(job, table)
    names = vectors.at(0, "NAME")
    degrees = [[_number(ends[0].get(f"GEODETIC_COORDINATES/{key}", "")) for key in GEODETIC] for ends in vectors.ends]
    lat, lon, up = np.array(degrees, float).reshape(-1, 3).T
    sound = ~np.isnan(lat + lon + up) & (np.abs(lat) <= 90)
    found = np.full((len(names), 3), np.nan)
    found[sound] = system.to_geocentric(lon[sound], lat[sound], up[sound])
    solid = [[_number(ends[0].get(f"GEOCENTRIC_COORDINATES/{key}", "")) for key in XYZ] for ends in vectors.ends]
    stated = np.array(solid, float).reshape(-1, 3)
    apart = np.linalg.norm(stated - found, axis=1)
    found = np.where(np.isnan(stated), found, stated)
    own = np.array([name in known for name in names], bool)
    for name in sorted({name for name in names if name in known}):
        at = np.flatnonzero([one == name for one in names])
        off = np.linalg.norm(found[at[0]] - known[name])
        there = f", {off:.3f} m from where the file has it" if off == off else ""
        said.append(f"the base {name!r} stands as {table} has it{there}")
        found[at] = known[name]
    for k in np.flatnonzero(~own & (apart > APART_M)):
        vectors.refuse(int(k), f"its base has two places in the file, {apart[k]:.3f} m apart on the job's ellipsoid")
    for k in np.flatnonzero(np.isnan(found).any(axis=1)):
        vectors.refuse(int(k), "its base has no coordinates: state them in a table, bases = ... under [step.gvx]")
    systems = vectors.found.by_id("REFERENCE_SYSTEM")
    stated_in = vectors.at(0, "COORDINATES/REFERENCE_SYSTEM_ID")
    used = [one for k, one in enumerate(stated_in) if not own[k] and k not in vectors.refused]
    for identifier in dict.fromkeys(used):
        faults += _system_fault(systems.get(identifier, {"ID": identifier}), system, taken)
    return found, faults, said


def _system_fault(stated: dict[str, str], system: System, taken: str | None) -> list[Fault]:
    """Return a fault unless a reference system of the file is the job's datum, by its code, its name or the recipe."""
    name = stated.get("NAME") or stated.get("ID") or "not stated"
    words = {_loose(word) for word in (name, stated.get("ID", "")) if word}
    ours = {_loose(word) for word in geodesy.datum_names(system.text)}
    if (taken and _loose(taken) in words) or _loose(name) in ours:
        return []
    if {_loose(word) for word in geodesy.datum_names(stated.get("CODE", ""))} & ours:
        return []
    remedy = (
        f'If both are one, write reference_system = "{name[:60]}" under [step.gvx]. geoqa changes no datum: else state '
        "the bases in the job's system in a table, bases = ... under [step.gvx], or export the file in that system."
    )
    problem = f"of the bases is {name[:60]!r}, and the job's datum is {geodesy.datum(system)}."
    return [Fault("REFERENCE_SYSTEM", problem, remedy)]


def _loose(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def known_bases(job: Recipe, name: str | None) -> dict[str, Array]:
    """Return X, Y, Z of the bases in the table beside the recipe, in the job's system and unit."""
    if name is None:
        return {}
    system = geodesy.system(job.site.crs)
    axes = ("longitude", "latitude") if system.geographic else ("easting", "northing")
    where, heading = "[step.gvx] bases", GEODETIC[2].casefold()
    rows = companions.table_rows(job.beside(name), ("point", *axes, heading), where)
    faults, made = list[Fault](), {}
    for line, row in rows:
        x, y, up = (_number(row[key]) for key in (*axes, heading))
        if np.isnan(x + y + up) or not row["point"] or row["point"] in made:
            faults.append(Fault(f"line {line}", "is no base: a name of its own and three numbers.", "Correct it."))
            continue
        unit_m = 1.0 if system.geographic else job.grid.unit_m
        lon, lat = system.degrees(*(np.array([value * unit_m / system.metres_per_unit]) for value in (x, y)))
        made[row["point"]] = system.to_geocentric(lon, lat, np.array([up * job.grid.up_m]))[0]
    if faults:
        raise InputError.from_faults(f"{name}: the bases cannot be used:", faults)
    return made


def read(
    path: Path, before: Recipe, step: str, heights: bool, bases: str | None, taken: str | None, largest: float
) -> ReadResult:
    """Return the occupations of a GVX file; see `geoqa.readers.landxml.GvxReader`, whose parameters these are.

    Parameters
    ----------
    largest
        Most bytes it may hold, unpacked.
    """
    found = vectors_of(path, largest)
    if before.site.crs == geodesy.LOCAL:
        remedy = "State the coordinate system of the job: a vector between marks needs its place on the Earth."
        coordinate_checks.refuse_system(path.name, [Fault("[site] crs", f"is {geodesy.LOCAL!r}.", remedy)])
    form = replace(
        before.input, time_format="iso", timezone="UTC", date=None, angle="dd", decimal=".", precision="sigma",
        covariance="variance",
    )  # fmt: skip
    plain = replace(before, input=form)
    system = geodesy.system(before.site.crs)
    places = GLOBE if system.geographic else PLANE
    mapped = {ours: Source(column=name, unit="m" if ours in LENGTHS else None) for ours, name in OURS.items()}
    mapped |= {ours: Source(column=ours.upper(), unit=None if system.geographic else "m") for ours in places}
    if not heights:
        mapped = {ours: one for ours, one in mapped.items() if ours not in ("height", "sigma_u", "cov_eu", "cov_nu")}
    job, faults = coordinate_checks.counted(
        coordinate_checks.mapped(plain, mapped), system.metres_per_unit, system.metres_per_unit, before.site.crs
    )
    vectors = _Vectors(found, job)
    base, of_bases, said = _bases(vectors, job, bases, taken)
    faults += of_bases
    if heights:
        leave = f" Or leave the heights out: heights = false under [step.{step}]."
        upright = coordinate_checks.own_reference(job, (ELLIPSOIDAL,))
        faults += [replace(fault, remedy=fault.remedy + leave) for fault in upright]
    table, rows = _table(path.name, vectors, base, said)
    told = coordinate_checks.settled(path.name, step, faults, job, before, rows.headings, before.site.crs, ELLIPSOIDAL)
    result = accounted(path.name, table, job, rows)
    frame, finest = result.frames["occupations"], 10.0 ** -vectors.decimals()
    # Coordinates are written one decimal finer than the vectors are, so that nothing is lost by turning them.
    steps = {name: np.fmax(frame[name].to_numpy(float), finest) for name in RESOLUTIONS if name in frame}
    frames = {**result.frames, "occupations": frame.assign(**steps)}
    units = None if before.unit_stated else job.grid.units
    return replace(result, frames=frames, messages=(*result.messages, *told), units=units)


def look(path: Path, largest: float) -> tuple[TypedRows, dict[str, str]]:
    """Return the vectors of a file as rows for a proposal, before a system is stated, and what of ours they bring."""
    found = vectors_of(path, largest)
    points, rows = found.by_id("POINT"), found.records["GNSS_VECTOR"]
    ends = [points.get(row.get("TERMINAL_POINT_ID", ""), {}) for row in rows]
    made = {"NAME": [one.get("NAME", "") for one in ends], "CODE": [one.get("CODE", "") for one in ends]}
    made |= {key: [row.get(f"OBSERVATION_TIME/{key}", "") for row in rows] for key in ("START", "END")}
    for ours, key in zip((*PLANE, "height"), DELTAS, strict=True):
        made[ours.upper()] = [row.get(key, "") for row in rows]
    brought = {ours: name for ours, name in {**OURS, **{one: one.upper() for one in PLANE}}.items() if name in made}
    line = np.arange(1, len(rows) + 1)
    return TypedRows(path.name, tuple(made), tuple(map(typed_cells.strings, made.values())), line), brought


def _table(name: str, vectors: _Vectors, base: Array, said: list[str]) -> tuple[TextTable, TypedRows]:
    """Return the vectors as a table of positions, and each as it stands."""
    system, sound = vectors.system, np.ones(len(vectors.rows), bool)
    sound[list(vectors.refused)] = False
    place = np.full((len(sound), 3), np.nan)
    lon, lat, place[sound, 2] = system.from_geocentric((base + vectors.delta)[sound])
    place[sound, :2] = np.column_stack(system.from_degrees(lon, lat))
    if not system.geographic:
        place[:, :2] *= system.metres_per_unit
    axes = system.axes(lon, lat)
    local = np.full((len(sound), 3, 3), np.nan)
    local[sound] = axes @ vectors.covariance[sound] @ axes.transpose(0, 2, 1)
    sigma = np.sqrt(np.einsum("kii->ki", local))
    places = min(vectors.decimals() + 1, FINEST)
    flat = places + (5 if system.geographic else 0)  # a tenth of the last digit in degrees, near enough
    columns = dict(zip(GLOBE if system.geographic else PLANE, place.T[:2], strict=True))
    made = {key.upper(): _cells(values, flat) for key, values in columns.items()}
    made["HEIGHT"] = _cells(place[:, 2], places)
    made |= {key: _cells(values) for key, values in zip(("SE", "SN", "SU"), sigma.T, strict=True)}
    made |= {f"C{pair}": _cells(local[:, i, j]) for (i, j), pair in zip(_PAIRS, _LETTERS, strict=True)}
    kind, identifiers = vectors.setup("SOLUTION_TYPE"), vectors.at(0, "COORDINATES/REFERENCE_SYSTEM_ID")
    named = {key: one.get("NAME", "") for key, one in vectors.found.by_id("REFERENCE_SYSTEM").items()}
    length = np.where([one == "NetworkRTK" for one in kind], np.nan, np.linalg.norm(vectors.delta, axis=1))
    tilted = [one in ("1", "true") for one in vectors.at(1, "TILT_COMPENSATOR")]
    start, end = (_utc(vectors.texts(f"OBSERVATION_TIME/{key}")) for key in ("START", "END"))
    made |= {
        "NAME": vectors.at(1, "NAME"), "START": start, "END": end, "BASE": _base_labels(vectors),
        "LENGTH": _cells(length), "METHOD": ["tilted-pole" if one else "direct" for one in tilted],
        "SOLUTION": [SOLUTIONS.get(one, "") for one in vectors.at(1, "POINT_TYPE")],
        "OPERATOR": vectors.setup("OPERATOR"), "CODE": vectors.at(1, "CODE"), "ARP_HEIGHT": vectors.at(1, "ARP_HEIGHT"),
        "SATELLITES": vectors.texts("SATELLITE_USED/TOTAL"), "PDOP": vectors.texts("DILUTION_PRECISION/PDOP"),
        "CORRECTOR_AGE": vectors.texts("QUALITY_CONTROL/CORRECTOR_AGE"),
        "EPOCHS_USED": vectors.texts("QUALITY_CONTROL/EPOCHS_USED"),
        # As the file states the vector, `contract.VECTOR`: what the writer of GVX gives back.
        "VECTOR_ID": vectors.texts("ID"), **{key[-2:]: vectors.texts(key) for key in DELTAS},
        **{f"BASE_{key}": _cells(values, FINEST) for key, values in zip(XYZ, base.T, strict=True)},
        "BASE_ARP_HEIGHT": vectors.at(0, "ARP_HEIGHT"), "SOLUTION_TYPE": kind,
        "POINT_TYPE": vectors.at(1, "POINT_TYPE"), "EPOCH": vectors.at(0, "COORDINATES/EPOCH"),
        "ORBIT_TYPE": vectors.texts("ORBIT/TYPE"), "ORBIT_SOURCE": vectors.texts("ORBIT/SOURCE"),
        "REFERENCE_SYSTEM_ID": identifiers, "REFERENCE_SYSTEM": [named.get(one, "") for one in identifiers],
    }  # fmt: skip
    headings, columns_of = tuple(made), tuple(typed_cells.strings(values) for values in made.values())
    line = np.array(vectors.found.lines, np.int64)
    if (np.diff(line) <= 0).any():
        line = np.arange(1, len(line) + 1)
        said.append("several vectors stand on one line: source_line counts the vectors instead")
    said += _doubts(vectors)
    rows = TypedRows(name, headings, columns_of, line, tuple(f"{name}: {text}." for text in said))
    return typed_cells.table(rows, vectors.refused), rows


def _cells(values: Array, decimals: int | None = None) -> list[str]:
    """Return numbers as text, nothing for none; with nine figures where no decimals are asked for."""
    form = "%.9g" if decimals is None else f"%.{decimals}f"
    return ["" if value != value else form % value for value in values.tolist()]


def _utc(texts: Sequence[str]) -> list[str]:
    """Return moments of GPS time as text in UTC; what is no moment stays as it is."""
    gps = pd.to_datetime(pd.Series(texts, dtype="str").str.removesuffix("Z"), format="ISO8601", errors="coerce")
    utc = pd.Series(clock.utc_of_gps(gps.to_numpy("datetime64[us]"))).dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return utc.where(gps.notna(), pd.Series(texts, dtype="str")).tolist()


def _base_labels(vectors: _Vectors) -> list[str]:
    """Return a label for the initial point of each vector: its name, and its identifier where several have that."""
    names, ids = vectors.at(0, "NAME"), vectors.texts("INITIAL_POINT_ID")
    times = Counter(name for name, _ in {*zip(names, ids, strict=True)})
    return [f"{name} ({one})" if times[name] > 1 else name for name, one in zip(names, ids, strict=True)]


def _doubts(vectors: _Vectors) -> list[str]:
    """Return what people should know of vectors that are taken as they stand."""
    said, sessions = [], len(vectors.found.records["SESSION"])
    if sessions:
        said.append(f"{counted(sessions, 'session')} state how vectors correlate with each other: that is not used")
    if partial := vectors.at(1, "POINT_TYPE").count("PartialFixed"):
        said.append(f"{counted(partial, 'vector')} with partly fixed ambiguities: taken as float")
    orbits, own = (
        vectors.texts("ORBIT/REFERENCE_SYSTEM_ID"), vectors.at(0, "COORDINATES/REFERENCE_SYSTEM_ID")
    )  # fmt: skip
    if other := sum(one not in ("", ours) for one, ours in zip(orbits, own, strict=True)):
        said.append(
            f"{counted(other, 'vector')} come from orbits in another system than the base's: taken as the schema has "
            "them, in that of the base"
        )
    if len({*vectors.at(0, "COORDINATES/EPOCH")} - {""}) > 1:
        said.append("the coordinates of its bases have several epochs, and none is moved to another")
    return said
