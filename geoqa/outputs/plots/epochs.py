"""The epochs of one point in metres from its middle, in the job's own frame: where they fell, and how they went."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geoqa.core import clock, units
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd
from geoqa.core.job import SOLUTIONS, Job
from geoqa.core.statistics.groups import starts_of
from geoqa.core.steps import Figure
from geoqa.core.units import METRES_PER
from geoqa.outputs.plots import style
from geoqa.outputs.symbology import PLAIN, SOLUTION_MARKS, STRONG

#: Epochs that a plot shows; of more, every second, third ... one.
MOST = 3000


@dataclass(frozen=True)
class PointFrame:
    """One point.

    Attributes
    ----------
    epochs
        Its epochs at stops, by stop and time; those that are shown.
    total
        How many it has.
    place
        East, north, up of these, metres from the middle of the fixed ones (of all without any); shape (n, 3), NaN
        where unknown.
    state
        Place of their solution in `geoqa.core.job.SOLUTIONS`.
    occupations, centre
        Its occupations from the logs, and their east and north likewise, shape (m, 2).
    turn_rad
        What turns a vector of the stated precision from true to grid north.
    """

    epochs: pd.DataFrame
    total: int
    place: Array
    state: Index
    occupations: pd.DataFrame
    centre: Array
    turn_rad: float


def point_frame(frames: Frames, job: Job, point: str) -> PointFrame:
    """Return what the logs hold of a point."""
    epochs, occupations = frames["epochs"], frames["occupations"]
    mine = epochs[(epochs["stop"] > 0).to_numpy() & (epochs["point"].astype("str") == point).to_numpy()]
    mine = mine.sort_values(["stop", "time_utc"], kind="stable")
    total = len(mine)
    mine = mine.iloc[:: max(-(-total // MOST), 1)]
    here = occupations["point"].astype("str") == point
    own = occupations[here & occupations["stop"].notna()] if "stop" in occupations else occupations.iloc[:0]
    state = pd.Categorical(mine["solution"], categories=list(SOLUTIONS)).codes.astype(np.int64)
    lon, lat = (mine[name].to_numpy(dtype=float) for name in ("lon_deg", "lat_deg"))
    place, centre, turn = _metres(job, lon, lat, own, state == 0)
    up = mine["height_m"].to_numpy(dtype=float)
    return PointFrame(mine, total, np.column_stack([place, up - _middle(up, state == 0)]), state, own, centre, turn)


def _metres(job: Job, lon: Array, lat: Array, own: pd.DataFrame, fixed: Flags) -> tuple[Array, Array, float]:
    system = job.grid.system
    known = np.isfinite(lon) & np.isfinite(lat)
    place = np.full((len(lon), 2), np.nan)
    if not known.any():
        return place, np.full((len(own), 2), np.nan), 0.0
    lon0 = np.array([lon[np.flatnonzero(known)[0]]])
    near = (lon - lon0 + 180) % 360 - 180
    lon0, lat0 = lon0 + _middle(near, fixed & known), np.array([_middle(lat, fixed & known)])
    if not system.geographic:
        east, north = system.from_lonlat(lon0, lat0)
        x, y = system.from_lonlat(lon, lat)
        place = np.column_stack([x - east, y - north])
        centre = own[["easting_m", "northing_m"]].to_numpy(dtype=float) - np.column_stack([east, north])
        return place, centre, float(np.radians(system.convergence_deg(lon0, lat0))[0])

    def off(lons: Array, lats: Array) -> Array:
        return np.column_stack(system.difference(np.full(len(lons), lon0[0]), np.full(len(lons), lat0[0]), lons, lats))

    return off(lon, lat), off(*(own[name].to_numpy(dtype=float) for name in ("lon_deg", "lat_deg"))), 0.0


def _middle(values: Array, preferred: Flags) -> float:
    """Return the median of the preferred values, of all where none is; 0 without any."""
    for chosen in (values[preferred & np.isfinite(values)], values[np.isfinite(values)]):
        if len(chosen):
            return float(np.median(chosen))
    return 0.0


def positions_figure(frames: Frames, job: Job, point: str, name: str) -> Figure:
    """Return the positions of a point's epochs, to scale."""
    spot = point_frame(frames, job, point)
    limit = job.role(_role(spot)).tolerance.horizontal_m
    title = f"{style.shown(point)}: where its epochs fell"
    fixed = int((spot.state == 0).sum())
    alt = (
        f"East and north of {units.counted(len(spot.state), 'epoch')} of {style.shown(point)}, {fixed} fixed, "
        f"and of {units.counted(len(spot.occupations), 'average')}."
    )
    caption = (
        "From the middle of the fixed epochs. Crosses with ellipses: the average of each occupation, 95 %. "
        "Dashed: what the receiver states for one epoch, the median, 95 %. Dotted: the tolerance between two fixes."
    )
    return style.figure(
        name, title, alt, caption, lambda empty: _draw_positions(empty, spot, point, limit, job.grid.unit), 5.0, 5.5
    )


def _role(spot: PointFrame) -> str | None:
    roles = spot.occupations["role"].dropna().astype("str")
    return str(roles.iloc[0]) if len(roles) else None


def _draw_positions(empty: Any, spot: PointFrame, point: str, limit: float | None, unit: str) -> None:
    axes = empty.add_subplot()
    axes.set_aspect("equal", adjustable="box")
    factor = METRES_PER[unit]
    place = spot.place[:, :2] / factor
    for k, word in reversed(list(enumerate(SOLUTIONS))):
        mine = (spot.state == k) & np.isfinite(place).all(axis=1)
        if mine.any():
            look = style.marks(*SOLUTION_MARKS[word])
            axes.plot(*place[mine].T, **look, markersize=3, label=f"n = {mine.sum()} {word}")
    _averages(axes, spot, factor)
    _stated(axes, spot, factor)
    if limit:
        circle = _round(np.array([[limit**2, 0], [0, limit**2]])) / factor
        axes.plot(
            *circle,
            color=PLAIN[0],
            linewidth=0.8,
            linestyle=(0, (1, 2)),
            label=f"tolerance {units.stated(limit, unit)}",
        )
    outside = _frame(axes, spot, limit or 0.0, factor)
    shown = "" if spot.total == len(spot.state) else f", {len(spot.state)} shown"
    beyond = f", {outside} outside the frame" if outside else ""
    axes.set_title(f"{style.shown(point)}: {units.counted(spot.total, 'epoch')}{shown}{beyond}")
    axes.set(xlabel=f"east of the middle ({unit})", ylabel=f"north of the middle ({unit})")
    if not np.isfinite(place).all(axis=1).any():
        style.say_nothing(axes, "no position")
    elif axes.get_legend_handles_labels()[0]:
        empty.legend(loc="outside lower center", ncols=2)


def _averages(axes: Any, spot: PointFrame, factor: float) -> None:
    """Draw the average of each occupation with its ellipse at 95 %."""
    colour = STRONG[0]
    var_e, var_n = (spot.occupations[name].to_numpy(dtype=float) ** 2 for name in ("sigma_e_m", "sigma_n_m"))
    both = _tied(spot.occupations)
    good = np.isfinite(spot.centre).all(axis=1)
    if good.any():
        label = f"n = {units.counted(good.sum(), 'average')}, with 95 % ellipses"
        axes.plot(*spot.centre[good].T / factor, "+", color=colour, markersize=9, markeredgewidth=1.5, label=label)
    for k in np.flatnonzero(good & np.isfinite(var_e) & np.isfinite(var_n)).tolist():
        matrix = np.array([[var_e[k], np.nan_to_num(both[k])], [np.nan_to_num(both[k]), var_n[k]]])
        axes.plot(*(_round(matrix, 0.95) + spot.centre[k][:, None]) / factor, color=colour, linewidth=1.2)


def _stated(axes: Any, spot: PointFrame, factor: float) -> None:
    """Draw what the receiver states for one fixed epoch, the median, at 95 % about the middle."""
    chosen = spot.epochs[spot.state == 0] if (spot.state == 0).any() else spot.epochs
    sigma_e, sigma_n = (chosen[name].to_numpy(dtype=float) for name in ("sigma_e_m", "sigma_n_m"))
    both = _tied(chosen)
    known = np.isfinite(sigma_e) & np.isfinite(sigma_n)
    if not known.any():
        return
    e, n = np.median(sigma_e[known]), np.median(sigma_n[known])
    tied = np.clip(np.median(np.nan_to_num(both[known]) / (sigma_e[known] * sigma_n[known])), -0.999, 0.999)
    matrix = np.array([[e**2, tied * e * n], [tied * e * n, n**2]])
    c, s = np.cos(spot.turn_rad), np.sin(spot.turn_rad)
    turn = np.array([[c, -s], [s, c]])
    axes.plot(*_round(turn @ matrix @ turn.T, 0.95) / factor, color=PLAIN[0], linewidth=1.2, linestyle="--",
              label="stated for one epoch, 95 %")  # fmt: skip


def _tied(rows: pd.DataFrame) -> Array:
    """Return the covariance of east and north, NaN where none is known."""
    return rows["cov_en_m2"].to_numpy(dtype=float) if "cov_en_m2" in rows else np.full(len(rows), np.nan)


def _round(matrix: Array, confidence: float | None = None) -> Array:
    """Return the curve of a covariance at one sigma or at a confidence, shape (2, 73)."""
    from geoqa.core.statistics import covariance

    factor = 1.0 if confidence is None else float(covariance.ellipse_factor(confidence))
    major, minor, azimuth = (
        float(v[0]) for v in covariance.ellipse(matrix[:1, 0], matrix[1:, 1], matrix[:1, 1])
    )  # fmt: skip
    angle = np.linspace(0, 2 * np.pi, 73)
    along, across, turn = major * np.cos(angle), minor * np.sin(angle), np.radians(np.nan_to_num(azimuth))
    return factor * np.stack(
        [along * np.sin(turn) + across * np.cos(turn), along * np.cos(turn) - across * np.sin(turn)]
    )


def _frame(axes: Any, spot: PointFrame, limit: float, factor: float) -> int:
    """Frame what is fixed, or everything where nothing is; return how many epochs stay outside."""
    known = np.isfinite(spot.place[:, :2]).all(axis=1)
    fixed = known & (spot.state == 0)
    wanted = np.abs(spot.place[fixed if fixed.any() else known][:, :2]).max(initial=0.0)
    averages = np.abs(spot.centre[np.isfinite(spot.centre).all(axis=1)]).max(initial=0.0) if fixed.any() else 0.0
    half = 1.15 * max(wanted, averages, limit, 0.005)
    axes.set(xlim=(-half / factor, half / factor), ylim=(-half / factor, half / factor))
    return int((np.abs(spot.place[known][:, :2]) > half).any(axis=1).sum())


#: Stops stand so far apart on the time axis, as a share of all time at rest.
APART = 0.03
#: Stops that are marked with their time; of more, some.
MARKED = 8


def series_figure(frames: Frames, job: Job, point: str, name: str) -> Figure:
    """Return the series of a point, its stops side by side."""
    spot = point_frame(frames, job, point)
    title = f"{style.shown(point)}: east, north and up against time"
    alt = (
        f"Three series of {units.counted(len(spot.state), 'epoch')} of {style.shown(point)} at "
        f"{units.counted(spot.epochs['stop'].nunique(), 'stop')}, {int((spot.state == 0).sum())} of them fixed."
    )
    caption = (
        "From the middle of the fixed epochs. Stops stand one after the other, each begins at a line, marked "
        f"with its time in the time zone {clock.name(job)}; the time between them is left out."
    )
    return style.figure(name, title, alt, caption, lambda empty: _draw_series(empty, spot, point, job), 6.6, 5.4)


def _draw_series(empty: Any, spot: PointFrame, point: str, job: Job) -> None:
    panels = empty.subplots(3, 1, sharex=True)
    time, begins = _at_rest(spot)
    shown = "" if spot.total == len(spot.state) else f", {len(spot.state)} shown"
    panels[0].set_title(
        f"{style.shown(point)}: {units.counted(spot.total, 'epoch')}{shown} at {units.counted(len(begins), 'stop')}"
    )
    told_in = (job.grid.unit, *job.grid.units)
    for axes, name, values, unit in zip(panels, ("east", "north", "up"), spot.place.T, told_in, strict=True):
        _panel(axes, time, values / METRES_PER[unit], spot)
        axes.set_ylabel(f"{name} of the middle ({unit})" if name != "up" else f"above the middle ({unit})")
        for at in begins:
            axes.axvline(at, color=PLAIN[0], linewidth=0.6)
    _mark(panels[2], begins, _clocks(spot, job))
    panels[2].set_xlabel("time at rest (s), stops one after the other; lines: begin of a stop")
    handles, labels = panels[0].get_legend_handles_labels()
    if handles:
        empty.legend(handles, labels, loc="outside lower center", ncols=len(handles))


def _mark(axes: Any, begins: list[float], clocks: list[str]) -> None:
    """Write the time beside the lines of stops, beside some where there are many."""
    ground = {"facecolor": "white", "alpha": 0.75, "edgecolor": "none", "pad": 0.5}
    look = {"rotation": 90, "fontsize": 7, "va": "bottom", "ha": "right", "bbox": ground}
    for k in sorted({round(k) for k in np.linspace(0, len(begins) - 1, min(MARKED, len(begins)))}):
        axes.text(begins[k], 0.02, clocks[k], transform=axes.get_xaxis_transform(), **look)


def _panel(axes: Any, time: Array, values: Array, spot: PointFrame) -> None:
    for k, word in enumerate(SOLUTIONS):
        mine = (spot.state == k) & np.isfinite(values)
        counted = int((spot.state == k).sum())
        if not counted:
            continue
        look = style.marks(*SOLUTION_MARKS[word])
        axes.plot(time[mine], values[mine], **look, markersize=2.5, label=f"n = {counted} {word}")
    if not np.isfinite(values).any():
        style.say_nothing(axes, "not known")


def _at_rest(spot: PointFrame) -> tuple[Array, list[float]]:
    """Return the time of each epoch with the stops moved together, seconds, and where each stop begins."""
    stop = spot.epochs["stop"].to_numpy()
    us = spot.epochs["time_utc"].dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    start = starts_of(stop)
    if not len(start):
        return np.zeros(0), []
    own = (us - np.repeat(us[start], np.diff(np.append(start, len(us))))) / 1e6
    lasts = own[np.append(start[1:], len(us)) - 1]
    begins = np.append(0.0, np.cumsum(lasts + APART * lasts.sum())[:-1])
    return own + np.repeat(begins, np.diff(np.append(start, len(us)))), begins.tolist()


def _clocks(spot: PointFrame, job: Job) -> list[str]:
    start = starts_of(spot.epochs["stop"].to_numpy())
    return clock.local(spot.epochs["time_utc"].iloc[start], job).dt.strftime(f"{clock.MOMENT}:%S").tolist()
