"""The map: drawings and their context in, one self-contained HTML file out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from branca.element import MacroElement
from folium.template import Template

from geoqa.core import geodesy, units
from geoqa.core.drawing import Drawing
from geoqa.core.errors import StepError
from geoqa.core.schema import DELIVERIES, STATUSES
from geoqa.outputs import class_words, offline, symbology
from geoqa.outputs.cautions import APPROXIMATE, CAUTIONS, PLAIN_FRAME
from geoqa.outputs.text import display_text, json_for_html, map_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

STYLES = ("map.css",)
#: In the order they are loaded: each uses only those before it.
SCRIPTS = ("geometry.js", "symbols.js", "layer.js", "popup.js", "key.js", "start.js")
#: Decimals kept: 0.1 mm on the ground, for degrees and for metres.
DECIMALS = {"_deg": 9, "_m": 4}
#: What is said otherwise of a site in a frame of its own.
_PLAIN: dict[str, Any] = {"cautions": (*CAUTIONS, PLAIN_FRAME), "north": "North of the local frame is up"}


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
    unit
        Unit of the job's lengths.
    notes
        Further sentences for the key, such as that only the horizontal was judged.
    classes
        What each canopy class shows, a row each, as `geoqa.outputs.class_words` says it.
    expectation_known
        Whether any precision was known, so that usual and unusual could be told apart.
    cautions
        See `geoqa.outputs.cautions`.
    north
        Which north is up.
    """

    title: str
    statuses: Mapping[str, int]
    deliveries: Mapping[str, int]
    tolerance: str
    requirement: str
    crs: str
    unit: str = "m"
    notes: tuple[str, ...] = ()
    classes: tuple[tuple[str, ...], ...] = ()
    expectation_known: bool = True
    cautions: tuple[str, ...] = (*CAUTIONS, APPROXIMATE)
    north: str = "True north is up"

    @classmethod
    def of(cls, frames: Mapping[str, pd.DataFrame], job: Job, notes: Sequence[str] = ()) -> MapContext:
        """Return the context of a reviewed job; `frames` holds ``points`` with status and deliver."""
        points, unit = frames["points"], job.input.unit
        factor = units.METRES_PER[unit]
        return cls(
            title=job.site.name,
            statuses=_counts(points["status"], STATUSES),
            deliveries=_counts(points["deliver"], DELIVERIES),
            tolerance=_with_roles(
                job.tolerance.spoken(unit, factor),
                ((name, role.tolerance.spoken(unit, factor)) for name, role in job.roles.items()),
            ),
            requirement=_with_roles(
                job.requirement.spoken(unit, factor),
                ((name, role.requirement.spoken(unit, factor)) for name, role in job.roles.items()),
            ),
            crs=geodesy.of(job).name,
            unit=unit,
            notes=tuple(notes),
            classes=tuple(class_words.table(frames["classes"], job)) if "classes" in frames else (),
            expectation_known=_expectation_known(frames),
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
    figure = offline.OfflineFigure(f"{title} – map", _sheet(title, context))
    figure.data = [offline.DataBlock("geoqa-context", json_for_html(_context(context)))]
    for number, (block, detail) in enumerate(map(_block, drawings)):
        figure.data.append(offline.DataBlock(f"geoqa-drawing-{number}", json_for_html(block)))
        if detail:
            figure.data.append(offline.DataBlock(f"geoqa-detail-{number}", json_for_html(detail)))
    chart = offline.OfflineMap(
        figure,
        [offline.static_text(name) for name in STYLES],
        [offline.static_text(name) for name in SCRIPTS],
        max_zoom=26, zoom_snap=0.25, zoom_delta=1, attribution_control=False, zoom_control=False,
        fade_animation=False,
    )  # fmt: skip
    SurveySheet(len(drawings)).add_to(chart, name="survey")
    return str(figure.render())


class SurveySheet(MacroElement):
    """The one call that draws the data blocks; holds none of them."""

    _template = Template("""
    {% macro script(this, kwargs) %}
    Geoqa.start({{ this._parent.get_name() }}, {{ this.drawings|tojson }});
    {% endmacro %}
    """)

    def __init__(self, drawings: int) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name, self._id, self.drawings = "SurveySheet", "geoqa", drawings


def _counts(values: pd.Series, words: Sequence[str]) -> dict[str, int]:
    found = values.value_counts()
    return {word: int(found.get(word, 0)) for word in words}


def _expectation_known(frames: Mapping[str, pd.DataFrame]) -> bool:
    """Return whether the closures were tested against a precision; without closures nothing says otherwise."""
    closures = frames.get("closures")
    tested = [name for name in ("p_h", "p_v") if closures is not None and name in closures]
    return not tested or closures is None or closures.empty or bool(closures[tested].notna().any(axis=None))


def _with_roles(whole: str, own: Iterable[tuple[str, str]]) -> str:
    """Return what holds for the whole job, and what roles have of their own."""
    return "; ".join([whole, *(f"{name}: {words}" for name, words in own if words != whole)])


def _sheet(title: str, context: MapContext) -> tuple[str, str]:
    """Return the HTML before and after the map; readable without scripts."""
    total, ready = sum(context.statuses.values()), context.deliveries.get("yes", 0)
    counts = ", ".join(f"{context.statuses.get(status, 0)} {status}" for status in STATUSES)
    cautions = "".join(f"<li>{map_text(caution)}</li>" for caution in context.cautions)
    before = (
        '<div class="gq-sheet">\n<header class="gq-head">'
        f'<h1><bdi dir="auto">{title}</bdi></h1>'
        f"<p>{total} points reviewed: <strong>{ready} may be delivered</strong>, {total - ready} not.</p></header>\n"
        f"<noscript><p>The drawing needs JavaScript. In words: {counts}.</p><ul>{cautions}</ul></noscript>\n"
        '<main class="gq-map" aria-label="Map of the points">'
    )
    return before, '</main>\n<aside class="gq-key" id="geoqa-key" aria-label="Key and switches"></aside>\n</div>'


def _context(context: MapContext) -> dict[str, Any]:
    """Return the context and the table of symbols as plain values of safe text."""
    lines = ("title", "tolerance", "requirement", "crs", "unit", "north")
    return {
        **{name: display_text(getattr(context, name)) for name in lines},
        "unitName": units.spoken(context.unit),
        "metresPerUnit": units.METRES_PER.get(context.unit, 1.0),
        "expectationKnown": context.expectation_known,
        "notes": [display_text(note) for note in context.notes],
        "classes": {
            "title": "What stated precision is worth here",
            "head": list(class_words.HEAD),
            "rows": [[display_text(cell) for cell in row] for row in context.classes],
        },
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


def _block(drawing: Drawing) -> tuple[dict[str, Any], list[Any]]:
    """Return one drawing as a block of columns, and the detail of its entries."""
    keys = {style.key: number for number, style in enumerate(drawing.styles)}
    columns: dict[str, list[Any]] = {"style": [keys[str(key)] for key in drawing.columns["style"]]}
    for name, values in drawing.columns.items():
        if name in ("style", "detail"):
            continue
        columns[name] = _column(drawing, name, values)
    block = {
        "encoding": "plain",
        "kind": drawing.kind,
        "title": display_text(drawing.title),
        "about": display_text(drawing.about),
        "exaggerated": drawing.exaggerated,
        "shown": drawing.shown,
        "listed": drawing.listed,
        "styles": [_style(style) for style in drawing.styles],
        "columns": columns,
    }
    return block, [_sections(drawing, entry) for entry in drawing.columns.get("detail", ())]


def _style(style: Any) -> dict[str, Any]:
    values = {**asdict(style), "dark": style.dark or style.colour}
    return {name: display_text(value) if isinstance(value, str) else value for name, value in values.items()}


def _column(drawing: Drawing, name: str, values: Sequence[Any]) -> list[Any]:
    if name in ("label", "group"):
        return [display_text(value) for value in values]
    if name == "mark":
        return [1 if value else 0 for value in values]
    if name == "path":
        return [[[_number(drawing, name, v, 9) for v in place] for place in path] for path in values]
    decimals = DECIMALS["_deg" if name.endswith("_deg") else "_m"]
    try:
        numbers = np.round(np.asarray(values, dtype=float), decimals)
    except (TypeError, ValueError) as error:
        raise StepError(f"the drawing {drawing.title!r} holds in {name} what is no number ({error}).") from error
    # None where nothing can be drawn; adding zero turns -0.0 into 0.0.
    return [value if math.isfinite(value) else None for value in (numbers + 0.0).tolist()]


def _number(drawing: Drawing, name: str, value: Any, decimals: int) -> float:
    try:
        number = round(float(value), decimals)
    except (TypeError, ValueError) as error:
        raise StepError(f"the drawing {drawing.title!r} holds in {name} what is no number: {value!r:.60}.") from error
    if not math.isfinite(number):
        raise StepError(f"the drawing {drawing.title!r} holds in {name} a number that is not finite.")
    return number


def _sections(drawing: Drawing, entry: Any) -> list[dict[str, Any]]:
    """Return the detail of one entry as safe text."""
    try:
        return [
            {
                "title": display_text(section.get("title", "")),
                "head": [display_text(cell) for cell in section.get("head", ())],
                "rows": [[display_text(cell) for cell in row] for row in section["rows"]],
            }
            for section in entry or ()
        ]
    except (AttributeError, KeyError, TypeError) as error:
        rule = "detail holds, per entry, sections that are mappings with rows, and optional title and head"
        raise StepError(f"the drawing {drawing.title!r} has a detail that cannot be shown: {rule}.") from error
