"""GVX files of an invented site, written after the public schema of version 1.0; no value in them was measured.

The ellipsoid is that of GRS 80; places and turns come from closed forms (geodetic to geocentric, and the axes of the
local horizon, as every textbook of geodesy has them), so that the readers are not their own witness.
"""

from __future__ import annotations

import numpy as np

A, F = 6378137.0, 1 / 298.257222101
BASES = {"B1": (-40.31, 175.42, 412.3711), "B2": (-40.3123, 175.4258, 398.1042)}
#: East, north and up of marks from the first base, metres.
MARKS = {"101": (812.3, -455.1, -21.7), "102": (905.8, -390.4, -19.2), "103": (-420.6, 733.9, 44.1)}
#: Standard deviations east, north and up, and correlations EN, EU, NU.
SPREAD = (0.008, 0.011, 0.019), (0.35, -0.2, 0.15)
RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "ellipsoidal", "timezone": "UTC"},
    "input": {"unit": "m", "initialization": "unknown"},
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.06, "vertical_m": 0.1},
}


def geocentric(lat, lon, up):
    """Return X, Y, Z of a place, degrees and metres."""
    lat, lon = np.radians(lat), np.radians(lon)
    e2 = F * (2 - F)
    n = A / np.sqrt(1 - e2 * np.sin(lat) ** 2)
    return np.array([
        (n + up) * np.cos(lat) * np.cos(lon), (n + up) * np.cos(lat) * np.sin(lon), (n * (1 - e2) + up) * np.sin(lat)
    ])  # fmt: skip


def horizon(lat, lon):
    """Return the rows east, north, up of a place in geocentric axes."""
    lat, lon = np.radians(lat), np.radians(lon)
    return np.array([
        [-np.sin(lon), np.cos(lon), 0],
        [-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)],
        [np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)],
    ])  # fmt: skip


def covariance(sigma, rho):
    """Return the matrix of three standard deviations and the correlations 12, 13, 23."""
    full = np.array([[1, rho[0], rho[1]], [rho[0], 1, rho[2]], [rho[1], rho[2], 1]])
    return full * np.outer(sigma, sigma)


def parts(matrix):
    """Return three standard deviations and the correlations 12, 13, 23 of a matrix."""
    sigma = np.sqrt(np.diag(matrix))
    rho = matrix / np.outer(sigma, sigma)
    return (*sigma, rho[0, 1], rho[0, 2], rho[1, 2])


def vector(
    k, base, mark, start, *, spread=SPREAD, error=(0, 0, 0), delta=None, nested=False, seconds=120, more="", setup="S1"
):  # fmt: skip
    """Return a GNSS_VECTOR with the identifier Vk from a base to the POINT Pk, with its matrix turned from the horizon.

    `error` is added to the mark, east, north, up; `nested` puts deltas and matrix into QUALITY_CONTROL.
    """
    turn = horizon(*BASES[base][:2])
    if delta is None:
        delta = place(mark, error) - geocentric(*BASES[base])
    dx, dy, dz = (f"{value:.5f}" for value in delta)
    sx, sy, sz, pxy, pxz, pyz = parts(turn.T @ covariance(*spread) @ turn)
    end = np.datetime64(start) + np.timedelta64(seconds, "s")
    solved = (
        f"<ECEF_DELTAS><DX>{dx}</DX><DY>{dy}</DY><DZ>{dz}</DZ></ECEF_DELTAS><CORRELATION_MATRIX><SDX>{sx:.6f}</SDX>"
        f"<SDY>{sy:.6f}</SDY><SDZ>{sz:.6f}</SDZ><PXY>{pxy:.7f}</PXY><PXZ>{pxz:.7f}</PXZ><PYZ>{pyz:.7f}</PYZ>"
        "</CORRELATION_MATRIX>"
    )
    return (
        f"<GNSS_VECTOR><ID>V{k}</ID><INITIAL_POINT_ID>{base}</INITIAL_POINT_ID><TERMINAL_POINT_ID>P{k}"
        f"</TERMINAL_POINT_ID><SURVEY_SETUP_ID>{setup}</SURVEY_SETUP_ID><OBSERVATION_TIME><START>{start}</START>"
        f"<END>{end}</END><LEAP_SECONDS>18</LEAP_SECONDS></OBSERVATION_TIME><QUALITY_CONTROL><EPOCHS_USED>{seconds}"
        "</EPOCHS_USED><MASK><ELEVATION>12</ELEVATION></MASK><DILUTION_PRECISION><PDOP>1.7</PDOP></DILUTION_PRECISION>"
        "<SATELLITE_USED><TOTAL>17</TOTAL><GPS>9</GPS><GLONASS>0</GLONASS><GALILEO>8</GALILEO><QZSS>0</QZSS><BEIDOU>0"
        f"</BEIDOU></SATELLITE_USED><ORBIT><TYPE>Broadcast</TYPE><SOURCE>Broadcast</SOURCE></ORBIT><CORRECTOR_AGE>2"
        f"</CORRECTOR_AGE>{solved if nested else ''}</QUALITY_CONTROL>{'' if nested else solved}{more}</GNSS_VECTOR>"
    )


def place(mark, error=(0, 0, 0)):
    """Return X, Y, Z of a mark: east, north, up in the horizon of the first base."""
    return geocentric(*BASES["B1"]) + horizon(*BASES["B1"][:2]).T @ (np.array(MARKS[mark]) + error)


def point(identifier, name, place, *, height="2.000", kind="Fixed", code="", system="R1", geocentric_too=True, more=""):
    """Return a POINT; `place` is latitude, longitude and height, or None for zeros as data collectors leave them."""
    lat, lon, up = place or (0.0, 0.0, 0.0)
    solid = "<X>{:.4f}</X><Y>{:.4f}</Y><Z>{:.4f}</Z>".format(*geocentric(lat, lon, up))
    solid = f"<GEOCENTRIC_COORDINATES>{solid}</GEOCENTRIC_COORDINATES>" if geocentric_too else ""
    return (
        f"<POINT><ID>{identifier}</ID><NAME>{name}</NAME>{_code(code)}<EQUIPMENT_ID>E1</EQUIPMENT_ID>"
        f"<ARP_HEIGHT>{height}</ARP_HEIGHT><POINT_TYPE>{kind}</POINT_TYPE>{more}<COORDINATES><REFERENCE_SYSTEM_ID>"
        f"{system}</REFERENCE_SYSTEM_ID><EPOCH>2000.0000</EPOCH><GEODETIC_COORDINATES><LATITUDE>{lat:.10f}</LATITUDE>"
        f"<LONGITUDE>{lon:.10f}</LONGITUDE><ELLIPSOIDAL_HEIGHT>{up:.4f}</ELLIPSOIDAL_HEIGHT></GEODETIC_COORDINATES>"
        f"{solid}</COORDINATES></POINT>"
    )


def _code(text):
    return f"<CODE>{text}</CODE>" if text else ""


def bases(**keys):
    """Return the POINT records of both bases."""
    return [
        point(name, f"BASE-{name[1]}", at, height="1.503", kind="Keyed-in", **keys) for name, at in BASES.items()
    ]  # fmt: skip


def document(points, vectors, *, name="NZGD2000", code="", unit="meters", version="1.0", rest=""):
    """Return a GVX file: a record a line."""
    created = "2026-02-09T16:00:00"
    made = "<VERSION>1</VERSION>"
    setup = (
        "<SURVEY_SETUP><ID>{}</ID><SOLUTION_TYPE>{}</SOLUTION_TYPE><OPERATOR>kw</OPERATOR><PROCESSING_SOFTWARE><NAME>none"
        f"</NAME>{made}</PROCESSING_SOFTWARE></SURVEY_SETUP>"
    )
    head = [
        f'<?xml version="1.0" encoding="UTF-8"?>\n<GVX VERSION="{version}">',
        f"<SOURCE_DATA><NAME>invented</NAME><CREATED_DATE>{created}</CREATED_DATE><APPLICATION><NAME>none</NAME>{made}"
        f"</APPLICATION><CONVERTED_BY><SOFTWARE_NAME>none</SOFTWARE_NAME>{made}<CONVERTED_DATE>{created}"
        "</CONVERTED_DATE></CONVERTED_BY></SOURCE_DATA>",
        "<PROJECT_INFORMATION><TITLE>Totara Saddle</TITLE><PARTY_CHIEF>kw</PARTY_CHIEF><AGENCY>none</AGENCY>"
        f"<START_DATE>{created}</START_DATE><END_DATE>{created}</END_DATE></PROJECT_INFORMATION>",
        f"<REFERENCE_SYSTEM><ID>R1</ID>{_code(code)}<NAME>{name}</NAME><LINEAR_UNIT><NAME>{unit}</NAME></LINEAR_UNIT>"
        "<ANGULAR_UNIT><NAME>decimal degrees</NAME></ANGULAR_UNIT></REFERENCE_SYSTEM>",
        "<EQUIPMENT><ID>E1</ID><RECEIVER><TYPE>none</TYPE><SERIAL_NUMBER>1</SERIAL_NUMBER><FIRMWARE_VERSION>1"
        "</FIRMWARE_VERSION></RECEIVER><ANTENNA><TYPE>none</TYPE><SERIAL_NUMBER>1</SERIAL_NUMBER></ANTENNA></EQUIPMENT>",
        setup.format("S1", "Single-baseRTK"),
        setup.format("S2", "NetworkRTK"),
    ]
    return "\n".join([*head, *points, *vectors, rest, "</GVX>\n"])


#: One vector a visit: mark, base, start in GPS time, error east, north, up.
VISITS = (
    ("101", "B1", "2026-02-09T08:00:18", (0.004, -0.006, 0.011)),
    ("102", "B1", "2026-02-09T08:20:18", (-0.003, 0.002, -0.009)),
    ("103", "B1", "2026-02-09T08:40:18", (0.006, 0.001, 0.004)),
    ("101", "B2", "2026-02-09T14:10:18", (-0.005, 0.003, -0.006)),
    ("102", "B2", "2026-02-09T14:30:18", (0.231, -0.187, 0.412)),
    ("103", "B2", "2026-02-09T14:50:18", (-0.002, -0.004, 0.012)),
)


def site(**keys):
    """Return the sample site: three marks from two bases; the second visit of 102 is a wrong fix."""
    points = [point(f"P{k}", mark, None) for k, (mark, *_) in enumerate(VISITS, 1)]
    vectors = [vector(k, base, mark, start, error=off) for k, (mark, base, start, off) in enumerate(VISITS, 1)]
    return document([*bases(), *points], vectors, **keys)
