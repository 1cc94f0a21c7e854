"""Coordinate systems, closures on the ellipsoid, and positions for display; the only module that asks PROJ.

No datum transformation happens here: closures stay in the job's own frame, and longitude and
latitude for display come from the projection's own inverse, in the job's datum. East comes first,
whatever the axis order of the system.
"""

from __future__ import annotations

import functools
import re
import unicodedata
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from geoqa.core.arrays import Array, np
from geoqa.core.errors import GeodesyError
from geoqa.core.recipe import Columns, InputFormat, Site, sources
from geoqa.core.units import FEET, METRES_PER, spoken

#: Closures longer than this are taken by Karney's geodesic, shorter ones by the local formula.
LOCAL_LIMIT_M = 300.0
#: Half the step that finds the direction of north and the scale: some ten metres, so that rounding is nothing.
STEP_DEG = 1e-4
#: What the recipe calls a plain frame that no coordinate system is stated for.
LOCAL = "local"
#: Semi-major axis of WGS 84 and of GRS 80, whose datums lie within some metres of each other.
WGS84_M = 6_378_137.0
#: The sphere the map library draws on.
SHEET_RADIUS_M = 6_378_137.0


#: How the EPSG dataset names areas in the United States and its territories.
_AMERICAN = ("United States (USA)", "Puerto Rico", "US Virgin Islands", "Guam", "American Samoa", "Northern Mariana")


@dataclass(frozen=True)
class System:
    """The job's coordinate system, and what geoqa needs to know of it.

    Attributes
    ----------
    name
        Name of the system, for people.
    text
        What it was asked for by.
    geographic
        Whether the input is longitude and latitude.
    metres_per_unit
        Metres in one unit of the system; for a geographic one, of its local grid (1).
    semi_major_m, flattening
        The ellipsoid.
    """

    name: str
    text: str
    geographic: bool
    metres_per_unit: float
    semi_major_m: float
    flattening: float
    crs: Any = field(repr=False, compare=False)
    _inverse: Any = field(repr=False, compare=False, default=None)

    @property
    def is_american(self) -> bool:
        """Whether the system's area of use, as the EPSG dataset names it, begins with the United States."""
        area = self.crs.area_of_use
        return area is not None and area.name.startswith(_AMERICAN)

    def to_lonlat(self, easting_m: Array, northing_m: Array) -> tuple[Array, Array]:
        """Return longitude and latitude in degrees, in the job's own datum; NaN for what has no place on the plane.

        Parameters
        ----------
        easting_m, northing_m
            Arrays of shape (n,), metres; for geographic input metres from the local origin.
        """
        factor = self.metres_per_unit
        return _known(*self._inverse.transform(easting_m / factor, northing_m / factor))

    def from_lonlat(self, lon_deg: Array, lat_deg: Array) -> tuple[Array, Array]:
        """Return easting and northing in metres, the inverse of `to_lonlat`."""
        east, north = _known(*self._inverse.transform(lon_deg, lat_deg, direction="INVERSE"))
        return east * self.metres_per_unit, north * self.metres_per_unit

    def coordinates(self, easting_m: Array, northing_m: Array) -> tuple[Array, Array]:
        """Return coordinates in the system's own unit, east (or longitude) first, as geometry has them."""
        if self.geographic:
            return self.to_lonlat(easting_m, northing_m)
        return easting_m / self.metres_per_unit, northing_m / self.metres_per_unit

    def metres(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return easting and northing in metres, the inverse of `coordinates`."""
        return self.from_lonlat(x, y) if self.geographic else (x * self.metres_per_unit, y * self.metres_per_unit)

    def degrees(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return longitude and latitude of coordinates in the system's own unit."""
        return (x, y) if self.geographic else self.to_lonlat(*self.metres(x, y))

    def from_degrees(self, lon_deg: Array, lat_deg: Array) -> tuple[Array, Array]:
        """Return coordinates in the system's own unit, the inverse of `degrees`."""
        return (lon_deg, lat_deg) if self.geographic else self.coordinates(*self.from_lonlat(lon_deg, lat_deg))

    def difference(self, lon1_deg: Array, lat1_deg: Array, lon2_deg: Array, lat2_deg: Array) -> tuple[Array, Array]:
        """Return east and north from the first to the second place on the ellipsoid, metres; see `enu_difference`."""
        return enu_difference(lon1_deg, lat1_deg, lon2_deg, lat2_deg, self.semi_major_m, self.flattening)

    def convergence_deg(self, lon_deg: Array, lat_deg: Array) -> Array:
        """Return the meridian convergence: add it to a grid azimuth for the true azimuth, in degrees."""
        east, north = self._step_north(lon_deg, lat_deg)
        return np.degrees(-np.arctan2(east, north))

    def scale(self, lon_deg: Array, lat_deg: Array) -> Array:
        """Return the scale of the grid along the meridian: grid distance over distance on the ellipsoid."""
        lon_deg, lat_deg = np.asarray(lon_deg, float), np.asarray(lat_deg, float)
        _, true = self.difference(lon_deg, lat_deg - STEP_DEG, lon_deg, lat_deg + STEP_DEG)
        return np.hypot(*self._step_north(lon_deg, lat_deg)) / true

    def to_geocentric(self, lon_deg: Array, lat_deg: Array, height_m: Array) -> Array:
        """Return X, Y, Z in metres, shape (n, 3), of places with ellipsoidal heights, on the system's own ellipsoid."""
        return np.column_stack(self._geocentric().transform(lon_deg, lat_deg, height_m))

    def from_geocentric(self, xyz_m: Array) -> tuple[Array, Array, Array]:
        """Return longitude, latitude (degrees) and ellipsoidal height of X, Y, Z; the inverse of `to_geocentric`."""
        return self._geocentric().transform(*np.asarray(xyz_m, float).T, direction="INVERSE")

    def _geocentric(self) -> Any:
        import pyproj

        form = {"proj": "geocent", "a": self.semi_major_m, "f": self.flattening, "no_defs": True}
        globe = {"proj": "longlat", "a": self.semi_major_m, "f": self.flattening, "no_defs": True}
        flat, solid = (pyproj.CRS.from_dict(one).to_3d() for one in (globe, form))
        return pyproj.Transformer.from_crs(flat, solid, always_xy=True)

    def axes(self, lon_deg: Array, lat_deg: Array) -> Array:
        """Return what turns geocentric vectors to east, north, up, shape (n, 3, 3): a row for each of our axes.

        Those of the grid where the system is projected: the local horizon turned by the meridian convergence.
        """
        lon, lat = np.radians(lon_deg), np.radians(lat_deg)
        zero = np.zeros(len(lon))
        east = np.array([-np.sin(lon), np.cos(lon), zero])
        north = np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
        up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
        turn = zero if self.geographic or not len(lon) else np.radians(self.convergence_deg(lon_deg, lat_deg))
        c, s = np.cos(turn), np.sin(turn)
        return np.stack([c * east - s * north, s * east + c * north, up]).transpose(2, 0, 1)

    def _step_north(self, lon_deg: Array, lat_deg: Array) -> tuple[Array, Array]:
        """Return the grid vector of a short step north about each place, metres; any projection, any meridian."""
        lon_deg, lat_deg = np.asarray(lon_deg, float), np.asarray(lat_deg, float)
        before, after = (self.from_lonlat(lon_deg, lat_deg + step) for step in (-STEP_DEG, STEP_DEG))
        return after[0] - before[0], after[1] - before[1]


def _known(x: Array, y: Array) -> tuple[Array, Array]:
    """Return places with NaN for those that PROJ has none for."""
    there = np.isfinite(x) & np.isfinite(y)
    return np.where(there, x, np.nan), np.where(there, y, np.nan)


@dataclass(frozen=True)
class Grid:
    """What a job counts in: its coordinate system, see `system`, and the units of coordinates and heights."""

    text: str
    origin: tuple[float, float] | None
    unit: str
    unit_up: str

    @property
    def system(self) -> System:
        """The coordinate system."""
        return system(self.text, self.origin, self.unit)

    @property
    def units(self) -> tuple[str, str]:
        """The unit of the coordinates, and that of the heights."""
        return self.unit, self.unit_up

    @property
    def unit_m(self) -> float:
        """Metres in one unit of the coordinates."""
        return METRES_PER[self.unit]

    @property
    def up_m(self) -> float:
        """Metres in one unit of the heights."""
        return METRES_PER[self.unit_up]


@functools.lru_cache(maxsize=16)
def system(text: str, origin: tuple[float, float] | None = None, unit: str = "m") -> System:
    """Return the coordinate system called `text`.

    Parameters
    ----------
    text
        Anything PROJ knows a system by, such as ``EPSG:2193``; ``local`` for a plain frame.
    origin
        For a geographic system, longitude and latitude of the local grid's origin; for a plain frame,
        easting and northing in metres of the middle of its drawing.
    unit
        Of a plain frame: the unit its coordinates count in.

    Raises
    ------
    GeodesyError
        If the system is unknown, or of a kind that holds no plane or geographic coordinates.
    """
    if text == LOCAL:
        return _plain_frame(origin or (0.0, 0.0), unit)
    import pyproj

    try:
        crs = pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as error:
        raise GeodesyError(f"{text!r} is not a known coordinate system. Write its code, such as EPSG:2193.") from error
    if crs.is_compound:
        raise GeodesyError(f"{text!r} is a compound system. State its horizontal part as crs, and height by its name.")
    ellipsoid = crs.ellipsoid
    if not (crs.is_projected or crs.is_geographic) or ellipsoid is None:
        raise GeodesyError(f"{text!r} ({crs.name}) is neither projected nor geographic; geoqa cannot difference in it.")
    horizontal = crs.axis_info[:2]
    geographic = bool(crs.is_geographic)
    _refuse_odd_axes(text, crs, horizontal)
    if geographic and any(abs(axis.unit_conversion_factor - 0.017453292519943295) > 1e-12 for axis in horizontal):
        raise GeodesyError(f"{text!r} ({crs.name}) does not count in degrees. Convert the file to degrees first.")
    grid = crs
    if geographic:
        lon, lat = origin or (0.0, 0.0)
        grid = pyproj.CRS.from_dict(
            {"proj": "tmerc", "lon_0": lon, "lat_0": lat, "a": ellipsoid.semi_major_metre,
             "rf": ellipsoid.inverse_flattening or 1e18, "units": "m", "no_defs": True}
        )  # fmt: skip
    return System(
        name=crs.name,
        text=text,
        geographic=geographic,
        metres_per_unit=1.0 if geographic else horizontal[0].unit_conversion_factor,
        semi_major_m=ellipsoid.semi_major_metre,
        flattening=1 / ellipsoid.inverse_flattening if ellipsoid.inverse_flattening else 0.0,
        crs=crs,
        _inverse=pyproj.Transformer.from_crs(grid, _in_degrees(ellipsoid), always_xy=True),
    )


def _refuse_odd_axes(text: str, crs: Any, axes: list[Any]) -> None:
    """Raise GeodesyError unless the axes count east and north, in either order, or along a pole's meridians."""
    directions = sorted(axis.direction for axis in axes)
    if directions not in (["east", "north"], ["north", "north"], ["south", "south"]):
        raise GeodesyError(
            f"{text!r} ({crs.name}) counts {' and '.join(directions)}; geoqa needs east and north. Use the system's "
            f"east and north variant, with coordinates converted to it."
        )
    if abs(axes[0].unit_conversion_factor - axes[1].unit_conversion_factor) > 1e-15:
        raise GeodesyError(f"{text!r} ({crs.name}) has axes in different units; geoqa cannot difference in it.")


def _in_degrees(ellipsoid: Any) -> Any:
    """Return longitude and latitude in degrees from Greenwich on an ellipsoid.

    It names no datum, so that reaching it is an inverse projection and never a change of datum.
    """
    import pyproj

    a, rf = ellipsoid.semi_major_metre, ellipsoid.inverse_flattening or 1e18
    return pyproj.CRS.from_dict({"proj": "longlat", "a": a, "rf": rf, "no_defs": True})


def grid_over_ground(site: Site, grid: Grid, place: Array) -> Array:
    """Return grid distance over distance on the ground: the scale of the projection times that of the height.

    Heights are taken as if above the ellipsoid, on a sphere of its mean radius: a geoid 50 m off changes a distance by
    8 ppm. Of a local frame it is the stated combined factor, or 1.

    Parameters
    ----------
    place
        East, north and height in metres, shape (n, 3).
    """
    if site.crs == LOCAL:
        return np.full(len(place), site.combined_factor or 1.0)
    radius = grid.system.semi_major_m * (1 - grid.system.flattening / 3)
    scale = grid.system.scale(*grid.system.to_lonlat(place[:, 0], place[:, 1]))
    return np.where(np.isfinite(scale), scale, 1.0) * radius / (radius + np.nan_to_num(place[:, 2]))


def frame_said(site: Site) -> tuple[str, ...]:
    """Return what people should know of the plain frame a site is in; nothing where it is in a system."""
    if site.crs != LOCAL:
        return ()
    label = f" ({site.localization})" if site.localization else ""
    text = f"the coordinates are in a local frame{label}: no position on the Earth is claimed"
    if site.combined_factor is None:
        return (text,)
    factor = f"the combined factor {site.combined_factor!r} is recorded and not applied"
    return (f"{text}; {factor}: it would change a closure of 100 mm by {abs(1 - site.combined_factor) * 100:.3f} mm",)


def unit_of(system: System) -> str:
    """Return the unit that a system counts in: deg, one of ours, or so many metres."""
    if system.geographic:
        return "deg"
    size = system.metres_per_unit
    return next((u for u, m in METRES_PER.items() if abs(m / size - 1) < 1e-9), f"units of {size:.12g} m")


def feet_apart(site: Site, fmt: InputFormat, columns: Columns) -> list[tuple[str, str, str, str]]:
    """Return where a recipe counts in the other foot than its coordinate system, or than its other lengths.

    The international and the US survey foot differ by two parts in a million: metres on a state plane, and nothing
    that catches the eye.

    Returns
    -------
    The place in the recipe, its unit, what counts in the other foot, and that.
    """
    stated = {"[input] unit": fmt.unit, "[input] unit_height": fmt.unit_height or ""}
    own = sources(columns)
    stated |= {f"[input.columns] {c}": own[c].unit or "" for c in ("easting", "northing", "height") if c in own}
    feet = [(place, unit) for place, unit in stated.items() if unit in FEET]
    if site.crs != LOCAL:
        ours = system(site.crs)
        unit = unit_of(ours)
        feet = [(f"{site.crs} ({ours.name})", unit)] * (unit in FEET) + feet
    return [(place, unit, *feet[0]) for place, unit in feet[1:] if unit != feet[0][1]]


def feet_said(site: Site, fmt: InputFormat, columns: Columns) -> tuple[str, ...]:
    """Return what people should know of a recipe that counts in both feet, with the reason that it gives."""
    return tuple(
        f"{place} is in {spoken(unit)}, {what} in {spoken(other)}; the recipe's reason: {fmt.unit_differs}"
        for place, unit, what, other in feet_apart(site, fmt, columns)[:1]
    )


def _plain_frame(origin: tuple[float, float], unit: str) -> System:
    """Return a frame that stands nowhere on the globe: an engineering system, without datum or ellipsoid."""
    import pyproj

    length = f'LENGTHUNIT["{spoken(unit)}",{METRES_PER[unit]!r}]'
    axes = ",".join(f'AXIS["{name}",{name},ORDER[{n}],{length}]' for n, name in enumerate(("east", "north"), 1))
    crs = f'ENGCRS["local frame",EDATUM["not stated"],CS[Cartesian,2],{axes}]'
    sheet = _Sheet(*origin, METRES_PER[unit])
    return System(
        name="a local frame, its place on the Earth not stated", text=LOCAL, geographic=False,
        metres_per_unit=METRES_PER[unit], semi_major_m=SHEET_RADIUS_M, flattening=0.0,
        crs=pyproj.CRS.from_wkt(crs), _inverse=sheet,
    )  # fmt: skip


def is_near_wgs84(system: System) -> bool:
    """Return whether the datum lies within some metres of WGS 84, as far as its ellipsoid shows.

    Those of older ellipsoids lie up to hundreds of metres off, and nothing is transformed here.
    """
    return system.crs.datum is not None and abs(system.semi_major_m - WGS84_M) <= 0.5


def onto_wgs84(ours: System, east_m: Array, north_m: Array) -> tuple[Array, Array, float] | None:
    """Return longitude and latitude on WGS 84, by the best published operation at hand, and the metres it may be off.

    For navigation and nothing else: no coordinate that is delivered comes from here. None where no operation with a
    stated accuracy is at hand.

    Parameters
    ----------
    east_m, north_m
        Of the job's system, metres (of its local grid for a geographic one); shape (n,).
    """
    import pyproj
    from pyproj.transformer import TransformerGroup

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a better operation lacks its grid: the accuracy tells
        found = TransformerGroup(ours.crs, "EPSG:4326", always_xy=True, allow_ballpark=False).transformers
    stated = [one for one in found if one.accuracy >= 0]
    if not stated:
        return None
    try:
        lon, lat = stated[0].transform(*ours.coordinates(east_m, north_m), errcheck=True)
    except pyproj.exceptions.ProjError:
        return None
    return lon, lat, float(stated[0].accuracy)


def datum(system: System) -> str:
    """Return the name of the datum that the system's coordinates refer to."""
    found = system.crs.datum
    return "not stated" if found is None else str(found.name)


def datum_names(text: str) -> tuple[str, ...]:
    """Return what the datum of a system is called, and its geographic system; nothing for what is no system."""
    import pyproj

    try:
        crs = pyproj.CRS.from_user_input(text)
    except (pyproj.exceptions.CRSError, RuntimeError, ValueError):
        return ()
    found = (crs.datum, crs.geodetic_crs)
    return tuple(str(one.name) for one in found if one is not None)


@dataclass(frozen=True)
class _Sheet:
    """Positions of a plain frame on the map's sphere, around its zero point, where a metre is drawn as a metre.

    The frame counts in `unit_m` metres. The degrees serve the drawing alone. Off the zero point the
    drawing's scale grows by 1/cos(latitude): 1.2e-6 at 10 km.
    """

    east_m: float
    north_m: float
    unit_m: float

    def transform(self, x: Array, y: Array, direction: str = "FORWARD") -> tuple[Array, Array]:
        """Return degrees from the frame's coordinates, or these from degrees where the direction is INVERSE."""
        if direction == "INVERSE":
            east, north = (np.radians(angle) * SHEET_RADIUS_M for angle in (x, y))
            return (self.east_m + east) / self.unit_m, (self.north_m + north) / self.unit_m
        east, north = x * self.unit_m - self.east_m, y * self.unit_m - self.north_m
        return np.degrees(east / SHEET_RADIUS_M), np.degrees(north / SHEET_RADIUS_M)


def enu_difference(
    lon1_deg: Array, lat1_deg: Array, lon2_deg: Array, lat2_deg: Array, semi_major_m: float, flattening: float
) -> tuple[Array, Array]:
    """Return east and north from the first to the second point, on the ellipsoid, in metres.

    Below 300 m the radii of curvature at the middle latitude serve (2e-6 mm at 10 m, 0.0015 mm at
    1 km, against the geodesic, at latitudes up to 45 degrees); beyond, Karney's geodesic (Karney
    2013, J. Geodesy 87:43-55) with its azimuth at the middle of the line taken as the mean of both
    ends.

    Parameters
    ----------
    lon1_deg, lat1_deg, lon2_deg, lat2_deg
        Arrays of shape (n,), degrees.
    semi_major_m, flattening
        The ellipsoid.
    """
    e2 = flattening * (2 - flattening)
    middle = np.radians((lat1_deg + lat2_deg) / 2)
    w2 = 1 - e2 * np.sin(middle) ** 2
    meridian = semi_major_m * (1 - e2) / w2**1.5
    prime = semi_major_m / np.sqrt(w2)
    dlon = (lon2_deg - lon1_deg + 180) % 360 - 180
    east = np.radians(dlon) * prime * np.cos(middle)
    north = np.radians(lat2_deg - lat1_deg) * meridian
    far = np.flatnonzero(np.hypot(east, north) > LOCAL_LIMIT_M)
    if len(far):
        import pyproj

        geod = pyproj.Geod(a=semi_major_m, f=flattening)
        forward, backward, length = geod.inv(lon1_deg[far], lat1_deg[far], lon2_deg[far], lat2_deg[far])
        turn = (np.asarray(backward) + 180 - forward + 180) % 360 - 180
        azimuth = np.radians(forward + turn / 2)
        east[far], north[far] = length * np.sin(azimuth), length * np.cos(azimuth)
    return east, north


def azimuth_deg(east: Array, north: Array) -> Array:
    """Return the azimuth of vectors, degrees clockwise from north in [0, 360); NaN for a zero vector."""
    azimuth = np.degrees(np.arctan2(east, north)) % 360
    return np.where((east == 0) & (north == 0), np.nan, np.where(azimuth == 360, 0.0, azimuth))


@dataclass(frozen=True)
class StatedSystem:
    """The coordinate system a file states.

    Attributes
    ----------
    name
        Its name and code, for people.
    same
        Whether its horizontal part is the recipe's; axis order does not count.
    height
        What its heights are above: ``ellipsoidal``, the name of its vertical part, or empty if it is 2-D.
    metres_per_height
        Metres in one unit of them.
    height_names
        Every name of what they are above: of the system, of its datum, its code.
    """

    name: str
    same: bool
    height: str
    metres_per_height: float
    height_names: tuple[str, ...] = ()


def compare(found: str, recipe: str) -> StatedSystem:
    """Return what the system `found` in a file is, against the system `recipe`; nothing is transformed.

    Raises
    ------
    GeodesyError
        If PROJ does not know what the file states.
    """
    import pyproj

    try:
        whole = pyproj.CRS.from_user_input(found)
        flat = _flat(whole)
        upright = whole.sub_crs_list[1].axis_info if whole.is_compound else whole.axis_info[2:]
        ours = pyproj.CRS.from_user_input(recipe)
        code, own = _epsg(flat), _epsg(ours)
        same = flat.equals(ours, ignore_axis_order=True) or (code is not None and code == own)
    except (pyproj.exceptions.CRSError, RuntimeError, ValueError) as error:
        raise GeodesyError(f"the file states a coordinate system that is not known: {found[:80]!r}.") from error
    height = "ellipsoidal" if upright else ""
    names: tuple[str, ...] = (height,) if height else ()
    if whole.is_compound:
        tall = whole.sub_crs_list[1]
        number = _epsg(tall)
        height, names = tall.name, (tall.name, tall.datum.name if tall.datum else "", f"EPSG:{number}")
    factor = upright[0].unit_conversion_factor if upright else 1.0
    return StatedSystem(f"{flat.name} (EPSG:{code})" if code else flat.name, bool(same), height, factor, names)


def _flat(crs: Any) -> Any:
    """Return the horizontal part of a system."""
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


def _epsg(crs: Any) -> int | None:
    """Return the EPSG code of a system: of one that a file describes in part, the code it states if PROJ agrees."""
    found: int | None = crs.to_epsg()
    if found is None:
        stated = crs.to_json_dict().get("id", {})
        alike = crs.to_epsg(min_confidence=20)
        if stated.get("authority") == "EPSG" and str(stated.get("code")) == str(alike):
            found = alike
    return found


def is_height(label: str, names: Sequence[str]) -> bool:
    """Return whether a height reference as a recipe has it is one of `names`; a geoid model may stand behind it."""
    said = _words(label)
    return any(own <= said and all(_GEOID.match(word) for word in said - own) for own in map(_words, names) if own)


#: Words that do not tell height references apart, units among them, and those that name a geoid model.
_PLAIN_WORDS = {"height", "heights", "datum", "vertical", "elevation", "level", "above", "m", "ft", "ftus", "epsg"}
_GEOID = re.compile(r"\w*geoid|egm\d|osgm\d|gcg\d|raf\d|model$")


def _words(text: str) -> set[str]:
    return set(re.findall(r"\w+", unicodedata.normalize("NFKC", text).casefold())) - _PLAIN_WORDS


def code(found: str) -> str:
    """Return the code of the horizontal part of a system that a file states, empty if it has none."""
    import pyproj

    try:
        flat = _flat(pyproj.CRS.from_user_input(found))
        number, named = _epsg(flat), flat.to_authority()
    except (pyproj.exceptions.CRSError, RuntimeError, ValueError):
        return ""
    return f"EPSG:{number}" if number else ":".join(named) if named else ""


@dataclass(frozen=True)
class SystemTransform:
    """Places of the job in the `system` of a background file: good enough to look it up there, and for nothing else.

    `said` is what people should know of the placing; empty where the file is in the job's own system.
    """

    system: System
    said: str
    _operation: Any = field(repr=False, compare=False, default=None)

    def places(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return places of the job's system in the file's, both in their own units and east (or longitude) first."""
        return (x, y) if self._operation is None else self._operation.transform(x, y, errcheck=False)

    def ground_m(self, x: Array, y: Array, dx: float, dy: float) -> tuple[Array, Array]:
        """Return what a step (dx, dy) in the file's own unit is east and north on the ground, metres."""
        ends = [self.system.degrees(x + side * dx / 2, y + side * dy / 2) for side in (-1, 1)]
        return self.system.difference(*ends[0], *ends[1])


def onto(ours: System, found: str) -> SystemTransform:
    """Return how to look up places of a system in a file whose system is `found`: canopy heights, stand maps.

    Unlike coordinates, such places may be moved by whatever operation is at hand; `Onto.said` tells how good it is.
    Raises GeodesyError if PROJ does not know the system, or cannot get there.
    """
    import pyproj
    from pyproj.transformer import TransformerGroup

    stated = compare(found, ours.text)
    flat = _flat(pyproj.CRS.from_user_input(found))
    theirs = system(flat.to_wkt())
    if stated.same:
        return SystemTransform(theirs, "")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a better operation lacks its grid: the accuracy tells
            operation = TransformerGroup(ours.crs, flat, always_xy=True).transformers[0]
    except (pyproj.exceptions.ProjError, IndexError) as error:
        raise GeodesyError(f"no operation leads from {ours.name} to {stated.name}. Convert the file.") from error
    good = f"to {operation.accuracy:g} m" if operation.accuracy >= 0 else "to an unknown accuracy"
    return SystemTransform(
        theirs, f"is in {stated.name}: points are placed on it {good}, good to look up and no more", operation
    )
