"""How a desktop GIS draws the layers of review.gpkg: one set of rules, written in two languages.

QML is the style language of the open desktop GIS that reads the table `layer_styles`; the other is a Styled Layer
Descriptor 1.1.0 with Symbology Encoding 1.1.0 (OGC 05-078r4, 05-077r4).
"""

from __future__ import annotations

import base64
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from geoqa.core.frames.contract import SEVERITY, STATUSES, TIP, seen_in
from geoqa.core.frames.schema import FRAMES, enlarged
from geoqa.outputs import symbology
from geoqa.outputs.symbology import DELIVERY, PLAIN, STRONG, SYMBOLS
from geoqa.outputs.text import xml_text

#: Radius of a symbol, widths of strokes and outlines, millimetres.
RADIUS_MM, STROKE_MM, OUTLINE_MM = 1.1, 0.4, 0.2
#: Colour of outlines, of labels and of the bar.
INK = "#111111"
#: How opaque the inside of an area is, as on the map.
AREA_OPACITY = 0.14


@dataclass(frozen=True)
class Rule:
    """One entry of a legend.

    Attributes
    ----------
    label
        What the legend says.
    shape, colour
        Shape of a point, or ``line``, ``area``, ``bar``; its colour, #rrggbb.
    column, word
        The rows it draws: those whose `column` is `word`; all where it is empty.
    above
        Instead of `word`: rows whose `column` is larger than this number.
    radius_mm
        Radius of a point's symbol.
    shown
        Whether the entry is ticked when the layer is opened.
    """

    label: str
    shape: str
    colour: str
    column: str = ""
    word: str = ""
    above: float | None = None
    radius_mm: float = RADIUS_MM
    shown: bool = True

    @property
    def geometry(self) -> str:
        """What it draws: ``line``, ``area`` or ``point``."""
        return self.shape if self.shape in ("line", "area") else "point"


@dataclass(frozen=True)
class Look:
    """How a layer is shown.

    Attributes
    ----------
    title
        What the layer is called in a legend.
    rules
        Its legend.
    label
        Columns that are written beside what they belong to, a blank between.
    unlabelled
        Column and word: rows that have no label.
    tip
        Columns told where the pointer rests.
    """

    title: str
    rules: tuple[Rule, ...]
    label: tuple[str, ...] = ()
    unlabelled: tuple[str, str] | None = None
    tip: tuple[str, ...] = ()


def _by_status(shape: str = "") -> tuple[Rule, ...]:
    """Return a rule for each status; a white line would vanish and is drawn in the plain colour."""
    looks = {status: SYMBOLS[status] for status in STATUSES}
    plain = {status for status, symbol in looks.items() if shape and symbol.light == "#ffffff"}
    return tuple(
        Rule(status, shape or symbol.shape, PLAIN[1] if status in plain else symbol.light, "status", status)
        for status, symbol in looks.items()
    )


def _pointed(frame: str) -> tuple[str, ...]:
    return tuple(seen_in(FRAMES[frame].columns, TIP))


_ELLIPSES = tuple(
    Rule(label, "area", PLAIN[0], "subject", subject, shown=subject == "point")
    for label, subject in (
        ("error ellipse of a point", "point"),
        ("error ellipse of an occupation", "occupation"),
        ("error ellipse of a closure", "closure"),
        ("error that measured checks would not see", "unseen"),
    )
)
#: The layers that have a place, in the order in which a person meets them: what is on top first.
LOOKS = {
    "revisits": Look(
        "Go back",
        (Rule("to be observed again, in this order", "halo", INK, "walk", above=0, radius_mm=1.4 * RADIUS_MM),),
        ("walk", "point"), ("walk", "0"), _pointed("revisits"),
    ),
    "points": Look(
        "Points", (*_by_status(), Rule(DELIVERY["yes"].label, "bar", INK, "deliver", "yes")),
        ("point",), ("deliver", "yes"), _pointed("points"),
    ),
    "closures": Look(
        "Closures, to scale", _by_status("line"), tip=_pointed("closures"),
    ),
    "zones": Look(
        "Problem zones", (Rule("problem zone", "area", STRONG[0]),), ("zone",), None, _pointed("zones"),
    ),
    "ellipses": Look("Error ellipses, to scale", _ELLIPSES, tip=_pointed("ellipses")),
    "occupations": Look(
        "Occupations", (Rule("occupation", "circle", PLAIN[1], radius_mm=RADIUS_MM / 2),),
        tip=_pointed("occupations"),
    ),
}  # fmt: skip
#: Kinds of geometry that each kind of rule can draw, as a GeoPackage calls them.
_FITS = {"point": ("POINT", "MULTIPOINT"), "area": ("POLYGON", "MULTIPOLYGON"), "line": ("LINESTRING",)}


def look_of(layer: str, geometry: str, columns: Collection[str]) -> Look | None:
    """Return how a layer is shown; None where there is no place, or nothing to say of how it looks.

    Parameters
    ----------
    layer, columns
        Its name, and those of its columns.
    geometry
        What a GeoPackage calls its kind of geometry, such as ``POINT``; empty without one.
    """
    name, times = enlarged(layer)
    look = LOOKS.get(name)
    if look is None or not set(columns) >= {rule.column for rule in look.rules if rule.column}:
        return None
    if not all(geometry in (*_FITS[rule.geometry], "GEOMETRY") for rule in look.rules):
        return None
    if times:
        title = f"{look.title.partition(',')[0]}, enlarged {times:,} times at most"
        return Look(title, tuple(rule for rule in look.rules if rule.shown), tip=look.tip)
    return look


QML_VERSION = "3.22.0"
#: Decimals that a person is shown, by the unit at the end of a column's name; files keep them all.
DECIMALS = {"_m": 3, "_ft": 3, "_ftUS": 3, "_m2": 8, "_deg": 4, "_s": 0, "_min": 0, "_ppm": 2, "risk": 4}
#: Width of a symbol's picture, in radii: room for the bar and the halo.
WIDTH = 4.8


def qml_document(look: Look | None, titles: Mapping[str, str]) -> str:
    """Return the style of a layer, as the table of styles holds it.

    Parameters
    ----------
    look
        How it is drawn, labelled and told; None for a table.
    titles
        Titles of its columns, by name.
    """
    return f'<qgis version="{QML_VERSION}" styleCategories="{_CATEGORIES}">{qml_body(look, titles)}</qgis>'


_CATEGORIES = "Symbology|Labeling|Fields|Forms|MapTips"


def qml_body(look: Look | None, titles: Mapping[str, str]) -> str:
    """Return what a style and a project have in common of a layer."""
    drawn = _renderer(look.rules) + _labels(look) + _tip(look, titles) if look else ""
    return drawn + _fields(titles)


def text_of(column: str) -> str:
    """Return the expression that writes a column's value as a person reads it: rounded, empty where there is none."""
    name = f'"{column}"'
    for ending, decimals in DECIMALS.items():
        if column.endswith(ending):
            return f"if({name} is null, '', format_number({name}, {decimals}))"
    if column.endswith("_utc"):
        return f"if({name} is null, '', format_date({name}, 'yyyy-MM-dd HH:mm'))"
    return f"coalesce(to_string({name}), '')"


def _renderer(rules: tuple[Rule, ...]) -> str:
    entries, symbols = "", ""
    for k, rule in enumerate(rules):
        shown = "" if rule.shown else ' checkstate="0"'
        entries += f'<rule key="{k}" symbol="{k}" label="{xml_text(rule.label)}"{_rows(rule)}{shown}/>'
        symbols += _symbol(k, rule)
    order = _order(rules)
    return (
        f'<renderer-v2 type="RuleRenderer" symbollevels="0" enableorderby="{int(bool(order))}" forceraster="0">'
        f'<rules key="rules">{entries}</rules><symbols>{symbols}</symbols>{order}</renderer-v2>'
    )


def _order(rules: tuple[Rule, ...]) -> str:
    """Return in which order what is judged is drawn: the worst last, on top of the others."""
    if not any(rule.column == "status" for rule in rules):
        return ""
    words = ", ".join(f"'{status}'" for status in reversed(SEVERITY))
    expression = xml_text(f'array_find(array({words}), "status")')
    return f'<orderby><orderByClause asc="1" nullsFirst="1">{expression}</orderByClause></orderby>'


def _rows(rule: Rule) -> str:
    if not rule.column:
        return ""
    asked = f"\"{rule.column}\" = '{rule.word}'" if rule.above is None else f'"{rule.column}" > {rule.above:g}'
    return f' filter="{xml_text(asked)}"'


def _symbol(number: int, rule: Rule) -> str:
    kind, drawn_by, options = {"line": _line, "area": _area}.get(rule.shape, _marker)(rule)
    told = "".join(f'<Option type="QString" name="{name}" value="{value}"/>' for name, value in options.items())
    return (
        f'<symbol type="{kind}" name="{number}" alpha="1" clip_to_extent="1" force_rhr="0"><layer class="{drawn_by}" '
        f'enabled="1" locked="0" pass="0"><Option type="Map">{told}</Option></layer></symbol>'
    )


def _line(rule: Rule) -> tuple[str, str, dict[str, str]]:
    return "line", "SimpleLine", {
        "line_color": _rgba(rule.colour), "line_width": str(STROKE_MM), "line_width_unit": "MM", "line_style": "solid",
    }  # fmt: skip


def _area(rule: Rule) -> tuple[str, str, dict[str, str]]:
    return "fill", "SimpleFill", {
        "style": "solid", "color": _rgba(rule.colour, AREA_OPACITY), "outline_color": _rgba(rule.colour),
        "outline_style": "solid", "outline_width": str(STROKE_MM), "outline_width_unit": "MM",
    }  # fmt: skip


def _marker(rule: Rule) -> tuple[str, str, dict[str, str]]:
    picture = base64.b64encode(qml_svg(rule).encode()).decode()
    return "marker", "SvgMarker", {
        "name": f"base64:{picture}", "size": f"{WIDTH * rule.radius_mm:g}", "size_unit": "MM", "color": "0,0,0,255",
    }  # fmt: skip


def qml_svg(rule: Rule) -> str:
    """Return a symbol as the map draws it, as SVG: the same outline, open where the map's is."""
    hollow = rule.shape == "halo"
    box = f'viewBox="{-WIDTH / 2:g} {-WIDTH / 2:g} {WIDTH:g} {WIDTH:g}" width="48" height="48"'
    fill, ink, width = ("none", rule.colour, 0.4) if hollow else (rule.colour, INK, OUTLINE_MM / rule.radius_mm)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {box}><path d="{symbology.svg_path(rule.shape, 1.0)}" fill="{fill}" '
        f'fill-rule="evenodd" stroke="{ink}" stroke-width="{width:.2g}" stroke-linejoin="round"/></svg>'
    )


def _labels(look: Look) -> str:
    if not look.label:
        return ""
    words = " || ' ' || ".join(f"coalesce(to_string(\"{column}\"), '')" for column in look.label)
    asked = ""
    if look.unlabelled:
        column, word = look.unlabelled
        asked = xml_text(f'"{column}" is null or to_string("{column}") <> \'{word}\'')
    # Numbers of the walk stand on the other side of the symbol than names.
    walk = look.label[0] == "walk"
    first = "TL,L,BL,TR,R,BR" if walk else "TR,R,BR,TL,L,BL"
    area = any(rule.shape == "area" for rule in look.rules)
    where = f'placement="{4 if area else 6}" predefinedPositionOrder="{first}"'
    settings = (
        f'<settings><text-style fieldName="{xml_text(words)}" isExpression="1" fontSizeUnit="Point" '
        f'fontSize="{11 if walk else 8}" textColor="{_rgba(INK)}" textOpacity="1" fontWeight="{75 if walk else 50}">'
        '<text-buffer bufferDraw="1" bufferSize="0.7" bufferSizeUnits="MM" bufferColor="255,255,255,255" '
        'bufferOpacity="0.9"/></text-style>'
        f'<placement {where} dist="{0.6 if walk else 1.3}" distUnits="MM" offsetType="1"/>'
        f'<rendering obstacle="{int(not area)}" displayAll="{int(walk)}" drawLabels="1"/></settings>'
    )
    shown = f' filter="{asked}"' if asked else ""
    rule = f'<rule key="label"{shown}>{settings}</rule>'
    return f'<labeling type="rule-based"><rules key="labels">{rule}</rules></labeling>'


def _tip(look: Look, titles: Mapping[str, str]) -> str:
    """Return what pointing at a feature tells: a name in a file may be markup, so every value is made plain text."""
    if not look.tip:
        return ""
    rows = "".join(
        f"<tr><td>{xml_text(titles.get(column, column))}</td><td>[% {_escaped(text_of(column))} %]</td></tr>"
        for column in look.tip
    )
    told, name = f"<table>{rows}</table>", f'"{look.tip[0]}"'
    return f"<mapTip>{xml_text(told)}</mapTip><previewExpression>{xml_text(name)}</previewExpression>"


def _escaped(expression: str) -> str:
    for sign, entity in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;")):
        expression = f"replace({expression}, '{sign}', '{entity}')"
    return expression


def _fields(titles: Mapping[str, str]) -> str:
    aliases, widgets = "", ""
    for k, (column, called) in enumerate(titles.items()):
        aliases += f'<alias index="{k}" field="{xml_text(column)}" name="{xml_text(called)}"/>'
        decimals = next((n for ending, n in DECIMALS.items() if column.endswith(ending)), None)
        if decimals is not None:
            widgets += (
                f'<field name="{xml_text(column)}" configurationFlags="None"><editWidget type="Range"><config>'
                '<Option type="Map"><Option type="bool" name="AllowNull" value="true"/>'
                f'<Option type="int" name="Precision" value="{decimals}"/>'
                '<Option type="QString" name="Style" value="SpinBox"/></Option></config></editWidget></field>'
            )
    return f"<fieldConfiguration>{widgets}</fieldConfiguration><aliases>{aliases}</aliases>" if titles else ""


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


#: The standard's pixel is 0.28 mm.
PIXEL_MM = 0.28


def sld_document(layer: str, drawn: tuple[Rule, ...]) -> str:
    """Return the style of a layer."""
    body = "".join(
        f"<se:Rule><se:Name>{rule.label}</se:Name>{_sld_rules(rule)}{_sld_symbol(rule)}</se:Rule>" for rule in drawn
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" '
        'xmlns:ogc="http://www.opengis.net/ogc" xmlns:se="http://www.opengis.net/se" version="1.1.0">'
        f"<NamedLayer><se:Name>{layer}</se:Name><UserStyle><se:Name>{layer}</se:Name>"
        f"<se:FeatureTypeStyle>{body}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )


def _sld_rules(rule: Rule) -> str:
    if not rule.column:
        return ""
    test, value = ("EqualTo", rule.word) if rule.above is None else ("GreaterThan", f"{rule.above:g}")
    return (
        f"<ogc:Filter><ogc:PropertyIs{test}><ogc:PropertyName>{rule.column}</ogc:PropertyName>"
        f"<ogc:Literal>{value}</ogc:Literal></ogc:PropertyIs{test}></ogc:Filter>"
    )


def _sld_symbol(rule: Rule) -> str:
    if rule.geometry == "area":
        fill = (
            f'<se:Fill><se:SvgParameter name="fill">{rule.colour}</se:SvgParameter>'
            f'<se:SvgParameter name="fill-opacity">{AREA_OPACITY}</se:SvgParameter></se:Fill>'
        )
        return f"<se:PolygonSymbolizer>{fill}{_stroke(rule.colour, STROKE_MM)}</se:PolygonSymbolizer>"
    if rule.geometry == "line":
        return f"<se:LineSymbolizer>{_stroke(rule.colour, STROKE_MM)}</se:LineSymbolizer>"
    # The picture is the map's own symbol; the mark stands in where a program cannot draw one.
    picture = base64.b64encode(qml_svg(rule).encode()).decode()
    known = rule.shape if rule.shape in ("circle", "triangle", "square", "star") else "circle"
    fill = "" if rule.shape == "halo" else (
        f'<se:Fill><se:SvgParameter name="fill">{rule.colour}</se:SvgParameter></se:Fill>'
    )  # fmt: skip
    return (
        '<se:PointSymbolizer><se:Graphic><se:ExternalGraphic><se:InlineContent encoding="base64">'
        f"{picture}</se:InlineContent><se:Format>image/svg+xml</se:Format></se:ExternalGraphic>"
        f"<se:Mark><se:WellKnownName>{known}</se:WellKnownName>{fill}{_stroke(INK, OUTLINE_MM)}</se:Mark>"
        f"<se:Size>{_pixels(WIDTH * rule.radius_mm)}</se:Size></se:Graphic></se:PointSymbolizer>"
    )


def _stroke(colour: str, width_mm: float) -> str:
    return (
        f'<se:Stroke><se:SvgParameter name="stroke">{colour}</se:SvgParameter>'
        f'<se:SvgParameter name="stroke-width">{_pixels(width_mm)}</se:SvgParameter></se:Stroke>'
    )


def _pixels(millimetres: float) -> str:
    return f"{millimetres / PIXEL_MM:.1f}"
