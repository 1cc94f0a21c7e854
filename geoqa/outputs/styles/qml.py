"""A layer's look as QML, the style language of the open desktop GIS that reads the table `layer_styles`."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping

from geoqa.outputs.report import marks
from geoqa.outputs.styles.rules import AREA_OPACITY, INK, OUTLINE_MM, STROKE_MM, Look, Rule
from geoqa.outputs.text import xml_text

VERSION = "3.22.0"
#: Decimals that a person is shown, by the unit at the end of a column's name; files keep them all.
DECIMALS = {"_m": 3, "_ft": 3, "_ftUS": 3, "_m2": 8, "_deg": 4, "_s": 0, "_min": 0, "_ppm": 2, "risk": 4}
#: Width of a symbol's picture, in radii: room for the bar and the halo.
WIDTH = 4.8


def document(look: Look | None, titles: Mapping[str, str]) -> str:
    """Return the style of a layer, as the table of styles holds it.

    Parameters
    ----------
    look
        How it is drawn, labelled and told; None for a table.
    titles
        Titles of its columns, by name.
    """
    return f'<qgis version="{VERSION}" styleCategories="{_CATEGORIES}">{body(look, titles)}</qgis>'


_CATEGORIES = "Symbology|Labeling|Fields|Forms|MapTips"


def body(look: Look | None, titles: Mapping[str, str]) -> str:
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


def _renderer(rules: Iterable[Rule]) -> str:
    entries, symbols = "", ""
    for k, rule in enumerate(rules):
        shown = "" if rule.shown else ' checkstate="0"'
        entries += f'<rule key="{k}" symbol="{k}" label="{xml_text(rule.label)}"{_rows(rule)}{shown}/>'
        symbols += _symbol(k, rule)
    return (
        '<renderer-v2 type="RuleRenderer" symbollevels="0" enableorderby="0" forceraster="0">'
        f'<rules key="rules">{entries}</rules><symbols>{symbols}</symbols></renderer-v2>'
    )


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
    picture = base64.b64encode(svg(rule).encode()).decode()
    return "marker", "SvgMarker", {
        "name": f"base64:{picture}", "size": f"{WIDTH * rule.radius_mm:g}", "size_unit": "MM", "color": "0,0,0,255",
    }  # fmt: skip


def svg(rule: Rule) -> str:
    """Return a symbol as the map draws it, as SVG: the same outline, open where the map's is."""
    hollow = rule.shape == "halo"
    box = f'viewBox="{-WIDTH / 2:g} {-WIDTH / 2:g} {WIDTH:g} {WIDTH:g}" width="48" height="48"'
    fill, ink, width = ("none", rule.colour, 0.4) if hollow else (rule.colour, INK, OUTLINE_MM / rule.radius_mm)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {box}><path d="{marks.path(rule.shape, 1.0)}" fill="{fill}" '
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
