"""The walk: its sketch on the field sheet, SVG with a number where there is room, and its waypoints in revisits.gpx."""

from __future__ import annotations

import math

from geoqa.core import geodesy
from geoqa.core.arrays import Array, Flags, Index, np, pd
from geoqa.core.job import Job
from geoqa.core.units import METRES_PER, round_below
from geoqa.outputs.deliver import gpx
from geoqa.outputs.header import NAVIGATION_ONLY
from geoqa.outputs.text import cut, display_texts, map_text

#: Width of the page and of a sketch that has text beside it, least height and margin of a sketch, and the greatest
#: heights of one of the whole walk (with few and with many points) and of an area; millimetres of paper.
WIDTH_MM, BESIDE_MM, LOWEST_MM, MARGIN_MM, WHOLE_MM, MANY_MM, AREA_MM = 184.0, 106.0, 40.0, 4.0, 58.0, 105.0, 42.0
#: Points from which the whole walk shows its groups instead of numbers, and each group has a sketch of its own.
MANY = 60
#: Height of a number and width of a sign; half the side of a dot.
DIGIT_MM, WIDE_MM, DOT_MM = 3.6, 2.1, 0.9
#: Greatest height of an inset of what is crowded, how far it reaches on the sketch, millimetres of paper, and how many.
INSET_MM, AROUND_MM, MOST_INSETS = 36.0, 8.0, 2
#: Where a number may stand beside its dot, the better first: east, west, north, south and between, in dots.
_BESIDE = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


def whole(walked: pd.DataFrame, unit: str) -> str:
    """Return the sketch of the whole walk as SVG, from where it begins; empty text where no point has a place.

    Parameters
    ----------
    walked
        Rows of `revisits` that somebody goes to, in walking order.
    unit
        Unit of the scale bar: m, ft or ftUS.
    """
    place = walked[["easting_m", "northing_m"]].to_numpy(dtype=float)
    if not len(place):
        return ""
    first = walked.iloc[0]
    turn = math.radians(first["walk_azimuth_deg"]) if first["walk_azimuth_deg"] == first["walk_azimuth_deg"] else 0.0
    start = place[0] - first["walk_m"] * np.array([math.sin(turn), math.cos(turn)])
    many = len(walked) > MANY
    wide = WIDTH_MM if many else BESIDE_MM
    way, per_mm, height = _on_paper(np.vstack([start, place]), wide, MANY_MM if many else WHOLE_MM)
    x, y = way[0].tolist()
    begin = f'<rect x="{x - 1.6:.1f}" y="{y - 1.6:.1f}" width="3.2" height="3.2"/>'
    starts = ~walked["group"].duplicated().to_numpy()
    labels = [map_text(cut(str(one), 14)) for one in (walked["group"] if many else walked["walk"])]
    wanted = np.flatnonzero(starts) if many else np.argsort(~starts, kind="stable")
    numbers, left = _labels(way[1:], labels, wanted, (wide, height), way[:1])
    inside = begin + _dots(way[1:], 0.6 if many else DOT_MM) + numbers
    if many or not len(left):
        return _drawn(way, per_mm, unit, (wide, height), inside)
    insets: list[str] = []
    frames = ""
    while len(left) and len(insets) < MOST_INSETS:
        crowded, frame = _crowded(way[1:], left)
        left = left[~crowded[left]]
        insets.append(area(walked[crowded], unit, (BESIDE_MM / 2, INSET_MM)))
        frames += frame
    drawn = _drawn(way, per_mm, unit, (wide, height), f"{frames}{inside}")
    return f'{drawn}<div class="insets">{"".join(insets)}</div>'


def _crowded(way: Array, left: Index) -> tuple[Flags, str]:
    """Return which places stand where most numbers had no room, shape (n,), and the frame around them as SVG."""
    far = np.abs(way[left, None] - way[None, left]).max(axis=2)
    middle = way[left[int((far <= AROUND_MM).sum(axis=1).argmax())]]
    mine = np.abs(way - middle).max(axis=1) <= AROUND_MM
    (west, north), (east, south) = way[mine].min(axis=0) - 2, way[mine].max(axis=0) + 2
    return mine, (
        f'<rect class="inset" x="{west:.1f}" y="{north:.1f}" width="{east - west:.1f}" height="{south - north:.1f}"/>'
    )


def area(walked: pd.DataFrame, unit: str, paper: tuple[float, float] = (WIDTH_MM, AREA_MM)) -> str:
    """Return the sketch of one group, or of what is crowded, as SVG, every point with its number if there is room."""
    place = walked[["easting_m", "northing_m"]].to_numpy(dtype=float)
    way, per_mm, height = _on_paper(place, *paper)
    labels = [str(number) for number in walked["walk"]]
    numbers, _ = _labels(way, labels, np.arange(len(way)), (paper[0], height), way[:0])
    return _drawn(way, per_mm, unit, (paper[0], height), _dots(way, DOT_MM) + numbers)


def _drawn(way: Array, per_mm: float, unit: str, paper: tuple[float, float], inside: str) -> str:
    wide, height = paper
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in way.tolist())
    return (
        f'<svg class="sketch" viewBox="0 0 {wide:g} {height:.1f}" role="img" paint-order="stroke" '
        f'aria-label="Sketch of the walk, grid north up"><polyline points="{points}"/>'
        f"{inside}{_north(wide)}{_bar(per_mm, unit, wide, height)}</svg>"
    )


def _dots(way: Array, radius: float) -> str:
    return "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}"/>' for x, y in way.tolist())


def _on_paper(way: Array, wide: float, tallest: float) -> tuple[Array, float, float]:
    """Return places in millimetres of paper, y down; metres on the ground per millimetre; and the sketch's height."""
    low, high = way.min(axis=0), way.max(axis=0)
    room = np.array([wide - 2 * MARGIN_MM - 12, tallest - 2 * MARGIN_MM - 6])
    per_mm = max(float(np.max((high - low) / room)), 0.02)
    tall = max((high - low)[1] / per_mm + 2 * MARGIN_MM + 6, min(LOWEST_MM, tallest))
    middle = np.array([wide / 2 - 4, (tall - 6) / 2])
    return middle + (way - (low + high) / 2) / per_mm * [1, -1], per_mm, tall


def _labels(
    way: Array, labels: list[str], wanted: Index, paper: tuple[float, float], begin: Array
) -> tuple[str, Index]:
    """Return text beside places, the first of `wanted` first, and which of them had no room.

    Parameters
    ----------
    way, labels
        Places on paper, shape (n, 2), and their texts, safe to show.
    paper
        Width and height of the sketch, millimetres.
    begin
        Where the walk begins, shape (1, 2) or (0, 2): kept free as well.
    """
    taken = np.concatenate([np.hstack([way - DOT_MM, way + DOT_MM]), np.hstack([begin - 1.7, begin + 1.7])])
    boxes = np.concatenate([taken, np.zeros((len(wanted), 4))])
    count, written, left = len(taken), [], []
    for k in wanted.tolist():
        x, y = way[k].tolist()
        half = WIDE_MM * len(labels[k]) / 2
        for east, south in _BESIDE:
            cx, cy = x + east * (half + DOT_MM + 0.4), y + south * (DIGIT_MM / 2 + DOT_MM + 0.2)
            box = np.array([cx - half, cy - DIGIT_MM / 2, cx + half, cy + DIGIT_MM / 2])
            inside = box[0] >= 0 and box[1] >= 0 and box[2] <= paper[0] - 10 and box[3] <= paper[1]
            other = boxes[:count]
            hit = (other[:, :2] < box[2:]).all(axis=1) & (other[:, 2:] > box[:2]).all(axis=1)
            if inside and not hit.any():
                boxes[count] = box
                count += 1
                written.append(f'<text x="{cx:.1f}" y="{cy + DIGIT_MM * 0.36:.1f}">{labels[k]}</text>')
                break
        else:
            left.append(k)
    return "".join(written), np.array(left, dtype=np.intp)


def _north(wide: float) -> str:
    x, y = wide - 6, 4
    return (
        f'<path class="north" d="M{x:g} {y + 9:g}V{y:g}l-1.8 3.6M{x:g} {y:g}l1.8 3.6"/>'
        f'<text x="{x:g}" y="{y + 13:g}">N</text>'
    )


def _bar(per_mm: float, unit: str, wide: float, height: float) -> str:
    """Return a scale bar of a round length, about a quarter of the width."""
    factor = METRES_PER[unit]
    most = wide / 4 * per_mm / factor
    length = round_below(most)
    long = length * factor / per_mm
    y = height - 4
    return (
        f'<path class="bar" d="M4 {y - 1.5:.1f}v1.5h{long:.1f}v-1.5"/>'
        f'<text class="left" x="{4 + long + 2:.1f}" y="{y:.1f}">{length:g} {unit}</text>'
    )


def build(revisits: pd.DataFrame, job: Job) -> str:
    """Return the text of a GPX 1.1 file: a waypoint for each point somebody has to go to, in walking order.

    Positions on a datum within some metres of WGS 84 are taken as they are; on an older one they are moved by the best
    published operation at hand, and the file says how many metres that may be off. A site in a local frame, or on a
    datum that nothing leads from, gets no waypoints and the file says so; so does one where nobody has to go anywhere.
    """
    walked = revisits[(revisits["walk"] > 0).to_numpy()].sort_values("walk", kind="stable")
    (lon, lat), told = _placed(walked, job)
    if not len(lon):
        walked = walked.iloc[:0]
    names, actions, groups = (display_texts(walked[c].astype("object").tolist()) for c in ("point", "action", "group"))
    return "".join(
        gpx.waypoints(
            [f"{number} {cut(name, 60)}" for number, name in zip(walked["walk"].tolist(), names, strict=True)],
            (lon + 180) % 360 - 180,
            lat,
            [f"{what}; {cut(group, 60)}; {NAVIGATION_ONLY}" for what, group in zip(actions, groups, strict=True)],
            title=job.site.name,
            about=told,
        )
    )


def _placed(walked: pd.DataFrame, job: Job) -> tuple[tuple[Array, Array], str]:
    """Return longitude and latitude of the walk, and what is said of them; none, and why, where there is no place."""
    nowhere = (np.zeros(0), np.zeros(0))
    if walked.empty:
        return nowhere, "Nobody has to go anywhere again, so there are no waypoints."
    if job.site.crs == geodesy.LOCAL:
        why = "The site is in a local frame: where it lies on the Earth is not stated, so there are no waypoints."
        return nowhere, why
    system, place = job.grid.system, [walked[c].to_numpy(float) for c in ("easting_m", "northing_m")]
    ground = "Terrain, fences and water are not considered."
    if geodesy.is_near_wgs84(system):
        off = f"Positions are in the datum of {system.name}, taken as WGS 84: they may be some metres off."
        return system.to_lonlat(*place), f"Points to observe again, {NAVIGATION_ONLY}. {off} {ground}"
    moved = geodesy.onto_wgs84(system, *place)
    if moved is None:
        return nowhere, (
            f"The datum of {system.name} may lie hundreds of metres from WGS 84, and no published operation of known "
            "accuracy leads from it, so there are no waypoints."
        )
    off = f"Positions are moved approximately from {system.name} to WGS 84: they may be {moved[2]:g} m off, or more."
    return moved[:2], f"Points to observe again, {NAVIGATION_ONLY}. {off} {ground}"
