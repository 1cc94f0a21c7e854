"""What closures show: east and north, the precision of each class here and in earlier jobs, and what canopy costs."""

from __future__ import annotations

from typing import Any

from geoqa.core import units
from geoqa.core.arrays import Array, Frames, np, pd
from geoqa.core.frames.canopy import BEYOND, CLASS, SPOKEN
from geoqa.core.frames.contract import SEVERITY
from geoqa.core.frames.schema import NO_EVIDENCE, OWN
from geoqa.core.frames.wording import class_words
from geoqa.core.job import Job
from geoqa.core.steps import Figure
from geoqa.core.units import METRES_PER, counted
from geoqa.outputs.plots import style as plots_style
from geoqa.outputs.symbology import CURVES, PLAIN, SYMBOLS

#: More closures than this are drawn once for each such part of the frame, status by status.
MANY, PART = 3000, 1 / 75
#: The frame holds so many tolerances; what lies further out is drawn on its rim.
FRAME = 3.0


def closures_figures(closures: pd.DataFrame, job: Job) -> tuple[Figure, ...]:
    """Return the plot of ``closures``, nothing where no two independent fixes of a point were compared."""
    compared = ~closures["independence_h"].astype("str").isin(NO_EVIDENCE).to_numpy()
    place = closures[["de_m", "dn_m"]].to_numpy(dtype=float)
    mine = compared & np.isfinite(place).all(axis=1)
    if not mine.any():
        return ()
    shown = closures[mine]
    place, limits = place[mine], np.unique(shown["tolerance_h_m"].dropna().to_numpy(dtype=float))
    unit, factor = job.grid.unit, job.grid.unit_m
    n, points = len(shown), shown["point"].nunique()
    beyond = int((np.hypot(*place.T) > shown["tolerance_h_m"].to_numpy(dtype=float)).sum())
    at = units.counted(points, "point")
    title = f"Horizontal closures, n = {n:,} at {at}"
    alt = f"Scatter of {units.counted(n, 'horizontal closure')} at {at}, {beyond} beyond the tolerance."
    caption = (
        "Each mark is the difference of two independent fixes of a point, later minus earlier, with the shape of its "
        "horizontal status. Circles: the tolerance, the smallest and the largest where there are several. Hollow marks "
        "on the rim lie outside the frame, in that direction."
    )
    if n > MANY:
        caption += " Closures that would cover each other are drawn once."
    status = shown["status_h"].astype("str").to_numpy()
    return (
        plots_style.figure("closures", "Closures against the tolerance", alt, caption,
                      lambda empty: _draw(empty, place / factor, status, limits / factor, title, unit), 5.2, 5.5),
    )  # fmt: skip


def _draw(empty: Any, place: Array, status: Any, limits: Array, title: str, unit: str) -> None:
    axes = empty.add_subplot()
    axes.set_aspect("equal", adjustable="box")
    far = np.hypot(*place.T)
    edge = max(1.1 * float(far.max()), 0.005 / METRES_PER[unit])
    if len(limits):
        edge = max(1.2 * limits[-1], min(edge, FRAME * limits[-1]))
    outside = far > edge
    drawn = np.where(outside[:, None], place * (edge / np.maximum(far, 1e-12))[:, None], place)
    for word in reversed(SEVERITY):
        _marks(axes, drawn, outside, status == word, word, PART * edge if len(far) > MANY else 0.0)
    for limit, dots in zip(limits[[0, -1]] if len(limits) > 1 else limits, ((1, 2), (5, 2)), strict=False):
        angle = np.linspace(0, 2 * np.pi, 181)
        curve = (limit * np.sin(angle), limit * np.cos(angle))
        axes.plot(
            *curve,
            color=PLAIN[0],
            linewidth=1.2,
            linestyle=(0, dots),
            label=f"tolerance {units.plain(limit, 3)} {unit}",
        )
    for line in (axes.axhline, axes.axvline):
        line(0, color=PLAIN[0], linewidth=0.6)
    half = 1.06 * edge
    axes.set(xlim=(-half, half), ylim=(-half, half), xlabel=f"east ({unit})", ylabel=f"north ({unit})")
    axes.set_title(f"{title}\n{outside.sum():,} outside the frame" if outside.any() else title)
    empty.legend(loc="outside lower center", ncols=3)


def _marks(axes: Any, place: Array, outside: Any, mine: Any, word: str, part: float) -> None:
    if not mine.any():
        return
    symbol = SYMBOLS[word]
    look = plots_style.marks(symbol.shape, PLAIN[0] if symbol.shape == "ring" else symbol.light)
    for rim, size in ((False, 4), (True, 6)):
        there = place[mine & (outside == rim)]
        if part:
            there = there[np.unique(np.round(there / part), axis=0, return_index=True)[1]]
        label = f"n = {mine.sum():,} {word}" if rim == bool(outside[mine].all()) else None
        axes.plot(*there.T, **look | {"fillstyle": "none"} if rim else look, markersize=size, label=label)


#: Axis, its words, and how far its marks stand from the middle of a row.
AXES = (("h", "horizontal, per axis", -0.16), ("v", "height", 0.16))
#: Classes in one figure.
MOST = 14
#: What has a panel: column, heading and axis label.
PANELS = (
    ("repeatability", "Repeatability", "one sigma ({unit})"),
    ("precision_ratio", "Seen against stated", "ratio of seen to stated precision (1)"),
)


def classes_figures(classes: pd.DataFrame, job: Job) -> tuple[Figure, ...]:
    """Return plots of ``classes``, the site on each; nothing where nothing of them is known."""
    known = [_column(classes, name, axis) for name, *_ in PANELS for axis, *_ in AXES]
    if not len(classes) or not np.isfinite(np.concatenate(known)).any():
        return ()
    classes = classes.assign(canopy=class_words(classes))
    parts = plots_style.groups_of(list(range(1, len(classes))), MOST) or [("", [])]
    return tuple(_figure(classes.iloc[[0, *part]], f"classes{more}", job.grid.unit) for more, part in parts)


def _figure(classes: pd.DataFrame, name: str, unit: str) -> Figure:
    worst = np.nan_to_num(_column(classes, "repeatability", "h")).argmax()
    largest = plots_style.shown(classes["canopy"].astype("str").iloc[worst])
    alt = (
        f"Repeatability and precision ratio of {units.counted(len(classes), 'row')}, the site and its canopy classes; "
        f"the largest horizontal repeatability is that of {largest}."
    )
    caption = (
        "Repeatability: one standard deviation of a visit as repeated visits show it. Ratio: above 1, receivers state "
        "less than visits show. Bars: 95 % intervals, of the class's own pairs. Hollow marks: more is known "
        "from elsewhere."
    )
    height = 1.6 + 0.34 * len(classes)
    return plots_style.figure(name, "Precision under each cover", alt, caption,
                         lambda empty: _draw_classes(empty, classes, unit), 6.6, height)  # fmt: skip


def _column(classes: pd.DataFrame, name: str, axis: str, end: str = "") -> Any:
    unit = "_m" if name == "repeatability" else ""
    for column in (f"{name}_{axis}{unit}{end}", f"{name}_{axis}{end}{unit}"):
        if column in classes:
            return classes[column].to_numpy(dtype=float)
    return np.full(len(classes), np.nan)


def _draw_classes(empty: Any, classes: pd.DataFrame, unit: str) -> None:
    panels = empty.subplots(1, len(PANELS), sharey=True)
    row = np.arange(len(classes))
    small, metres = plots_style.small(unit)
    for axes, (name, heading, label) in zip(panels, PANELS, strict=True):
        factor = 1 / metres if name == "repeatability" else 1.0
        for k, (axis, words, shift) in enumerate(AXES):
            _class_marks(axes, classes, name, axis, factor, row + shift, CURVES[k], words)
        axes.set(title=heading, xlabel=label.format(unit=small))
        axes.grid(visible=False, axis="y")
        axes.tick_params(axis="y", length=0)
    panels[0].set_xlim(left=0)
    panels[1].axvline(1, color=PLAIN[0], linewidth=1.0, linestyle=(0, (1, 2)))
    pairs = classes["pairs"].tolist()
    labels = [
        f"{plots_style.shown(name, 24)}\nn = {units.counted(n, 'pair')}"
        for name, n in zip(classes["canopy"], pairs, strict=True)
    ]
    panels[0].set_yticks(row, labels, fontsize=8)
    panels[0].set_ylim(len(classes) - 0.5, -0.5)
    handles, words = panels[0].get_legend_handles_labels()
    title = "bars: 95 %; hollow: more is known from elsewhere"
    empty.legend(handles, words, loc="outside lower center", ncols=2, title=title, title_fontsize=8)


def _class_marks(
    axes: Any, classes: pd.DataFrame, name: str, axis: str, factor: float, at: Any, look: tuple[Any, ...], words: str
) -> None:
    """Draw one axis of a panel: bars for intervals, filled marks where a class's own pairs speak."""
    colour, _, shape = look
    value, low, high = (factor * _column(classes, name, axis, end) for end in ("", "_low", "_high"))
    axes.hlines(at, low, high, color=colour, linewidth=1.4)
    basis = classes[f"basis_{axis}"].astype("str") if f"basis_{axis}" in classes else None
    own = np.ones(len(classes), bool) if basis is None else (basis == OWN).to_numpy()
    style = {**plots_style.marks(shape, colour), "markersize": 6}
    axes.plot(value[own], at[own], label=words, **style)
    axes.plot(value[~own], at[~own], **style, markerfacecolor="white")


def figure(jobs: pd.DataFrame) -> Figure:
    """Return the plot of the frame ``experience``: a mark a job and class, the size of what it rests on."""
    classes = jobs.groupby("canopy")["freedom_h"].sum().sort_values(ascending=False).index[: len(CURVES)].tolist()
    months = sorted(jobs["month"].dropna().unique())
    alt = (
        f"Ratio of seen to stated horizontal precision and share of wrong fixes of {counted(len(classes), 'class')} "
        f"in {counted(len(months), 'month')}, {counted(jobs['job'].nunique(), 'job')}."
    )
    caption = (
        "One mark a job and class, larger where it rests on more; classes with most pairs. Jobs without times: no."
    )
    return plots_style.figure(
        "experience",
        "What earlier jobs taught",
        alt,
        caption,
        lambda empty: _draw_experience(empty, jobs, classes, months),
        6.6,
        5.2,
    )


def _draw_experience(empty: Any, jobs: pd.DataFrame, classes: list[str], months: list[str]) -> None:
    panels = empty.subplots(2, 1, sharex=True)
    at = jobs["month"].map({month: k for k, month in enumerate(months)}).to_numpy(dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.sqrt(jobs["total_h"] / jobs["freedom_h"]).to_numpy()
        share = 100 * (jobs["wrong"] / jobs["fixes"]).to_numpy()
    for k, (name, look) in enumerate(zip(classes, CURVES, strict=False)):
        mine = (jobs["canopy"] == name).to_numpy()
        beside = at[mine] + 0.12 * (k - (len(classes) - 1) / 2)
        _experience_marks(panels[0], beside, ratio[mine], jobs["freedom_h"][mine], look, plots_style.shown(name, 24))
        _experience_marks(panels[1], beside, share[mine], jobs["fixes"][mine], look, plots_style.shown(name, 24))
    panels[0].axhline(1, color=PLAIN[0], linewidth=1.0, linestyle=(0, (1, 2)))
    panels[0].set(ylabel="seen / stated, horizontal (1)", ylim=(0, None))
    panels[1].set(ylabel="wrong fixes (%)", ylim=(0, None), xlim=(-0.6, len(months) - 0.4))
    panels[1].set_xticks(range(len(months)), months, rotation=45, ha="right", fontsize=8)
    empty.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=3)


def _experience_marks(axes: Any, at: Any, value: Any, worth: pd.Series, look: tuple[Any, ...], words: str) -> None:
    colour, _, shape = look
    size = 12 + 60 * np.sqrt(worth.to_numpy() / 100).clip(max=1.5)
    axes.scatter(
        at, value, s=size, color=colour, marker=plots_style.MARKERS[shape], alpha=0.8, label=words, linewidths=0
    )


def canopy_figures(frames: Frames, job: Job) -> tuple[Figure, ...]:
    """Return a plot of the classes, and one for each measure that a raster gives; nothing where nothing is known."""
    costs, curves, tests = (frames[f"canopy_{name}"] for name in ("costs", "curves", "tests"))
    found = []
    classes = costs[(costs["by"] == CLASS) & (costs["compared"] > 0)]
    if len(classes):
        worst = plots_style.shown(classes["value"].iloc[int(np.nan_to_num(classes["closure_h_m"]).argmax())])
        alt = f"Median closures under covers, {len(classes)} of them; the largest is that of {worst}."
        caption = "Median closure between different visits, each point once. Bars: 95 % intervals."
        found.append(
            plots_style.figure(
                "canopy", "Closures under each cover", alt, caption,
                lambda empty: _classes(empty.subplots(), classes, job), 6.4, 1.6 + 0.26 * len(classes),
            )
        )  # fmt: skip
    for by in dict.fromkeys(costs["by"].astype("str")):
        if by in SPOKEN:
            found.append(_of_measure(by, costs[costs["by"] == by], curves, tests))
    return tuple(found)


def _of_measure(by: str, quarters: pd.DataFrame, curves: pd.DataFrame, tests: pd.DataFrame) -> Figure:
    line = curves[(curves["by"] == by) & (curves["cost"] == BEYOND)]
    test = tests[(tests["by"] == by) & (tests["cost"] == BEYOND)]
    name = SPOKEN[by][0]
    alt = f"Share of points beyond tolerance against {name}: {_title(name, test).splitlines()[-1]}."
    seen = "What quarters of the points show"
    caption = f"{seen}, and a fitted curve that may rise and fall. Bars and band: 95 % intervals."
    if line.empty:
        caption = f"{seen}; bars: 95 % intervals. There is too little for a curve."
    return plots_style.figure(
        f"canopy-{by.replace('_', '-')}", f"Beyond tolerance by {name}", alt, caption,
        lambda empty: _measure(empty.subplots(), quarters, line, test, by), 6.4, 3.2,
    )  # fmt: skip


def _classes(axes: Any, rows: pd.DataFrame, job: Job) -> None:
    """Draw the median closure of each class with its bounds, horizontal and height."""
    rows = rows.sort_values("closure_h_m", kind="stable")
    unit, factor = plots_style.small(job.grid.unit)
    axes.set_title("Closures between different visits (bounds: 95 %)")
    axes.set_xlabel(f"median closure ({unit})")
    at = np.arange(len(rows))
    for k, (column, words) in enumerate((("closure_h_m", "horizontal"), ("closure_v_m", "height"))):
        colour, dashes, shape = CURVES[k]
        value, low, high = (rows[f"{column}{end}"].to_numpy(dtype=float) / factor for end in ("", "_low", "_high"))
        y = at + 0.12 * (1 - 2 * k)
        axes.hlines(y, low, high, color=colour, linestyle=dashes, linewidth=1.6)
        axes.plot(value, y, **plots_style.marks(shape, colour), markersize=6, label=words)
    named = zip(rows["value"].astype("str"), rows["compared"], strict=True)
    axes.set_yticks(at, [f"{plots_style.shown(name)}, n = {units.counted(n, 'point')}" for name, n in named])
    axes.set_xlim(left=0)
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.grid(axis="y", visible=False)
    axes.legend(loc="lower right")


def _measure(axes: Any, quarters: pd.DataFrame, line: pd.DataFrame, test: pd.DataFrame, by: str) -> None:
    """Draw the fitted share with its bounds, and the share of each quarter of the points as it was seen."""
    name, unit = SPOKEN[by]
    scale = 100.0 if unit == "%" else 1.0
    colour, dashes, _ = CURVES[0]
    seen = quarters[quarters["proven"] > 0]
    if len(line):
        x, share, low, high = (line[c].to_numpy(dtype=float) for c in ("x", "share", "low", "high"))
        axes.fill_between(scale * x, 100 * low, 100 * high, color=colour, alpha=0.12, linewidth=0)
        axes.plot(
            scale * x, 100 * share, linestyle=dashes, color=colour, linewidth=1.6, label="fitted, with 95 % bounds"
        )
    if len(seen):
        left, right, share, low, high = (
            seen[c].to_numpy(dtype=float) for c in ("from_value", "to_value", "beyond", "beyond_low", "beyond_high")
        )
        middle = scale * (left + right) / 2
        axes.hlines(100 * share, scale * left, scale * right, color=PLAIN[0], linewidth=1.2)
        axes.vlines(middle, 100 * low, 100 * high, color=PLAIN[0], linewidth=1.2)
        look = plots_style.marks(CURVES[1][2], PLAIN[0])
        axes.plot(middle, 100 * share, **look, label="as seen in a quarter of the points")
        axes.legend(loc="upper left")
    else:
        plots_style.say_nothing(axes, "no point is proven")
    axes.set_ylim(0, 1.3 * max(axes.get_ylim()[1], 1.0))  # room for the key
    axes.set(xlabel=f"{name} ({unit})" if unit else name, ylabel="beyond tolerance (%)")
    axes.set_title(_title(name, test), fontsize=9)


def _title(name: str, test: pd.DataFrame) -> str:
    for row in test.to_dict("records"):
        p = row["p_adjusted"]
        told = row["note"] if p != p else units.p_value(p)
        return f"Beyond tolerance by {name}: n = {row['n']}, {row['events']} beyond\n{told}"
    return f"Beyond tolerance by {name}"
