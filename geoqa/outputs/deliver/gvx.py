"""GVX 1.0: the vectors that came in, used and rejected, with calibrated covariances, for an adjustment program."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from geoqa.core import clock
from geoqa.core.arrays import Array, np, pd
from geoqa.core.frames.contract import VECTOR
from geoqa.core.geodesy import System
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Writer
from geoqa.outputs.csv_tables import numbers, words
from geoqa.outputs.text import xml_text

#: The schema demands dates; this one stands where no occupation has any.
NO_MOMENT = "2000-01-01T00:00:00"
#: What the schema demands and no review knows.
UNSTATED = "not stated"
#: How a rejected vector is marked: the code of its terminal point, and the remark of its set-up.
REJECTED = "rejected"
_IDENTIFIER = re.compile(r"[0-9A-Za-z._]+")
_CODE = re.compile(r"[0-9A-Za-z:_ ]+")
_POINT_TYPES = {"fixed": "Fixed", "float": "Float", "differential": "Code", "autonomous": "Code"}
_MEANING = (
    "Standard deviations and correlations are calibrated by the review: the reported ones times what repeated "
    "measurements of this site showed them to be worth. Vectors are as they came in. One whose SURVEY_SETUP says "
    "rejected, and whose terminal point has the CODE rejected, was rejected by the review: leave it out of an "
    "adjustment."
)


@dataclass(frozen=True, kw_only=True)
class GvxFile(Writer):
    """GVX 1.0 (GNSS Vector Exchange): the vectors as they came in, with calibrated covariances, rejected ones marked.

    All vectors stand in it whether or not their points may be delivered; of a site without vectors it holds none.
    """

    name = "gvx-file"
    suffix = ".gvx"
    observations = "vectors"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write one document."""
        rows = points.observations
        known = rows[VECTOR[0]].notna() if VECTOR[0] in rows else pd.Series(False, index=rows.index)
        rows = rows[known.to_numpy(dtype=bool)].reset_index(drop=True)
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(_document(rows, points, job))


def _document(rows: pd.DataFrame, points: Deliverable, job: Job) -> Iterator[str]:
    moment = points.moment.removesuffix("Z") or NO_MOMENT
    yield '<?xml version="1.0" encoding="UTF-8"?>\n<GVX VERSION="1.0">\n'
    yield _record(
        "SOURCE_DATA", NAME=job.site.name, CREATED_DATE=moment,
        APPLICATION={"NAME": "geoqa", "VERSION": UNSTATED},
        CONVERTED_BY={"SOFTWARE_NAME": "geoqa", "VERSION": UNSTATED, "CONVERTED_DATE": moment},
    )  # fmt: skip
    start, end = (_gps(rows, name) for name in ("start_utc", "end_utc"))
    known = sorted(one for one in (*start, *end) if one) or [moment]
    chief = job.report.prepared_by or UNSTATED
    yield _record(
        "PROJECT_INFORMATION", TITLE=job.site.name, PARTY_CHIEF=chief, AGENCY=chief, START_DATE=known[0],
        END_DATE=known[-1], REMARK=_MEANING,
    )  # fmt: skip
    if rows.empty:
        yield "<REMARK>No vector came in.</REMARK>\n</GVX>\n"
        return
    told = {name: _texts(rows, name) for name in (*VECTOR, "point", "base", "operator", "code", "solution")}
    yield from _systems(told, points)
    yield _record(
        "EQUIPMENT", ID="E1", RECEIVER=dict.fromkeys(("TYPE", "SERIAL_NUMBER", "FIRMWARE_VERSION"), UNSTATED),
        ANTENNA=dict.fromkeys(("TYPE", "SERIAL_NUMBER"), UNSTATED),
    )  # fmt: skip
    accepted, why = rows["accepted"].to_numpy(bool), _texts(rows, "reason")
    remarks = [f"{REJECTED} by the review: {said}" * (not good) for good, said in zip(accepted, why, strict=True)]
    plain = (rows["covariance"] != "calibrated").to_numpy(dtype=bool)
    remarks = [f"{said}{'; covariance as reported' * bool(raw)}" for said, raw in zip(remarks, plain, strict=True)]
    setups = _numbered("S", zip(told["SOLUTION_TYPE"], told["operator"], remarks, strict=True))
    for (kind, operator, remark), identifier in dict(zip(setups.of, setups.names, strict=True)).items():
        yield _record(
            "SURVEY_SETUP", ID=identifier, SOLUTION_TYPE=kind, OPERATOR=operator or UNSTATED,
            PROCESSING_SOFTWARE={"NAME": UNSTATED, "VERSION": UNSTATED}, REMARK=remark,
        )  # fmt: skip
    yield from _points_and_vectors(rows, told, setups.names, (start, end), accepted, job.grid.system)
    yield "</GVX>\n"


@dataclass(frozen=True)
class _Numbers:
    """What each row is of, and its identifier: one for each that differs."""

    of: list[tuple[str, ...]]
    names: list[str]


def _numbered(letter: str, of: Iterator[tuple[str, ...]]) -> _Numbers:
    listed = list(of)
    known = {one: f"{letter}{k}" for k, one in enumerate(dict.fromkeys(listed), 1)}
    return _Numbers(listed, [known[one] for one in listed])


def _systems(told: dict[str, list[str]], points: Deliverable) -> Iterator[str]:
    """Return a reference system for each that bases are in, as the files named them."""
    for identifier, name in dict.fromkeys(zip(map(_system_id, told[VECTOR[-3]]), told[VECTOR[-2]], strict=True)):
        yield _record(
            "REFERENCE_SYSTEM", ID=identifier, NAME=name or points.datum, LINEAR_UNIT={"NAME": "meters"},
            ANGULAR_UNIT={"NAME": "decimal degrees"},
        )  # fmt: skip


def _system_id(text: str) -> str:
    return text if _IDENTIFIER.fullmatch(text) else "R1"


def _points_and_vectors(
    rows: pd.DataFrame, told: dict[str, list[str]], setups: list[str], times: tuple[list[str], list[str]],
    accepted: Array, system: System,
) -> Iterator[str]:  # fmt: skip
    """Return the bases, the terminal point of each vector, and the vectors."""
    delta, base = (np.column_stack([rows[key].astype(float) for key in keys]) for keys in (VECTOR[1:4], VECTOR[4:7]))
    keys = ("base", *VECTOR[4:8], *VECTOR[-3:])
    bases = _numbered("B", zip(*(told[key] for key in keys), strict=True))
    frame = list(map(_system_id, told[VECTOR[-3]]))
    seen = set[str]()
    for k, place in enumerate(_places(base, system)):
        if bases.names[k] not in seen:
            seen.add(bases.names[k])
            yield _point(
                bases.names[k], told["base"][k], "", told["BASE_ARP_HEIGHT"][k], "Keyed-in", frame[k], told["EPOCH"][k],
                place,
            )  # fmt: skip
    number = rows["occupation_id"].tolist()
    height = ["" if value != value else f"{value:.4f}" for value in numbers(rows, "antenna_height_m").tolist()]
    for k, place in enumerate(_places(base + delta, system)):
        code = told["code"][k] if accepted[k] and _CODE.fullmatch(told["code"][k]) else "" if accepted[k] else REJECTED
        kind = told["POINT_TYPE"][k] or _POINT_TYPES.get(told["solution"][k], "Keyed-in")
        yield _point(f"P{number[k]}", told["point"][k], code, height[k], kind, frame[k], told["EPOCH"][k], place)
    ends, own = [f"P{one}" for one in number], {*told["VECTOR_ID"]}
    clear = len(own) == len(rows) and own.isdisjoint({*bases.names, *ends, *setups, *frame, "E1"})
    names = told["VECTOR_ID"] if clear and all(map(_IDENTIFIER.fullmatch, own)) else [f"V{one}" for one in number]
    spread = _geocentric(rows, base + delta, system)
    epochs, pdop, age = (
        ["" if value != value else f"{value:g}" for value in numbers(rows, key).tolist()]
        for key in ("epochs", "pdop", "correction_age_s")
    )
    for k in range(len(rows)):
        yield _record(
            "GNSS_VECTOR", ID=names[k], INITIAL_POINT_ID=bases.names[k], TERMINAL_POINT_ID=ends[k],
            SURVEY_SETUP_ID=setups[k], OBSERVATION_TIME={"START": times[0][k], "END": times[1][k]},
            QUALITY_CONTROL={
                "EPOCHS_USED": epochs[k], "MASK": {}, "DILUTION_PRECISION": {"PDOP": pdop[k]}, "CORRECTOR_AGE": age[k],
                "ORBIT": {"TYPE": told["ORBIT_TYPE"][k] or "Broadcast", "SOURCE": told["ORBIT_SOURCE"][k] or UNSTATED},
            },
            ECEF_DELTAS={key: told[key][k] for key in VECTOR[1:4]}, CORRELATION_MATRIX=spread[k],
        )  # fmt: skip


def _point(
    identifier: str, name: str, code: str, height: str, kind: str, system: str, epoch: str,
    place: tuple[dict[str, str], dict[str, str]],
) -> str:  # fmt: skip
    return _record(
        "POINT", ID=identifier, NAME=name, CODE=code, EQUIPMENT_ID="E1", ARP_HEIGHT=height, POINT_TYPE=kind,
        COORDINATES={
            "REFERENCE_SYSTEM_ID": system, "EPOCH": epoch, "GEODETIC_COORDINATES": place[0],
            "GEOCENTRIC_COORDINATES": place[1],
        },
    )  # fmt: skip


def _places(xyz: Array, system: System) -> Iterator[tuple[dict[str, str], dict[str, str]]]:
    """Return each place as degrees with its height, and geocentric."""
    globe = np.column_stack(system.from_geocentric(xyz)).tolist()
    for (lon, lat, up), (x, y, z) in zip(globe, xyz.tolist(), strict=True):
        degrees = {"LATITUDE": f"{lat:.11f}", "LONGITUDE": f"{lon:.11f}", "ELLIPSOIDAL_HEIGHT": f"{up:.5f}"}
        yield degrees, {"X": f"{x:.5f}", "Y": f"{y:.5f}", "Z": f"{z:.5f}"}


def _geocentric(rows: pd.DataFrame, xyz: Array, system: System) -> list[dict[str, str]]:
    """Return the calibrated covariances as standard deviations and correlations of geocentric axes."""
    lon, lat, _ = system.from_geocentric(xyz)
    local = np.empty((len(rows), 3, 3))
    for i, a in enumerate("enu"):
        local[:, i, i] = numbers(rows, f"var_{a}_m2")
        for j, b in list(enumerate("enu"))[i + 1 :]:
            local[:, i, j] = local[:, j, i] = numbers(rows, f"cov_{a}{b}_m2")
    axes = system.axes(lon, lat)
    turned = axes.transpose(0, 2, 1) @ local @ axes
    sigma = np.sqrt(np.einsum("kii->ki", turned))
    rho = turned / np.einsum("ki,kj->kij", sigma, sigma)
    return [
        {f"SD{axis}": f"{s[i]:.7f}" for i, axis in enumerate("XYZ")}
        | {f"P{a}{b}": f"{r['XYZ'.index(a)]['XYZ'.index(b)]:.9f}" for a, b in ("XY", "XZ", "YZ")}
        for s, r in zip(sigma.tolist(), rho.tolist(), strict=True)
    ]


def _gps(rows: pd.DataFrame, name: str) -> list[str]:
    """Return moments as GPS time, as the schema has them; nothing where there is none."""
    utc = rows[name].dt.tz_convert(None).to_numpy("datetime64[us]")
    text = pd.Series(clock.gps_of_utc(utc)).dt.strftime("%Y-%m-%dT%H:%M:%S.%f").fillna("")
    return text.str.slice(stop=-4).tolist()


def _texts(rows: pd.DataFrame, name: str) -> list[str]:
    return words(rows[name]).tolist() if name in rows else [""] * len(rows)


def _record(name: str, **values: object) -> str:
    return f"<{name}>{_inner(values)}</{name}>\n"


def _inner(values: object) -> str:
    """Return the elements of a record; what is not known is left out."""
    if not isinstance(values, dict):
        return xml_text(values)
    return "".join(f"<{key}>{_inner(value)}</{key}>" for key, value in values.items() if value != "")
