"""Rules as a Styled Layer Descriptor 1.1.0 with Symbology Encoding 1.1.0 (OGC 05-078r4, 05-077r4)."""

from __future__ import annotations

import base64

from geoqa.outputs.styles import qml
from geoqa.outputs.styles.rules import AREA_OPACITY, INK, OUTLINE_MM, STROKE_MM, Rule

#: The standard's pixel is 0.28 mm.
PIXEL_MM = 0.28


def document(layer: str, drawn: tuple[Rule, ...]) -> str:
    """Return the style of a layer."""
    body = "".join(f"<se:Rule><se:Name>{rule.label}</se:Name>{_rows(rule)}{_symbol(rule)}</se:Rule>" for rule in drawn)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" '
        'xmlns:ogc="http://www.opengis.net/ogc" xmlns:se="http://www.opengis.net/se" version="1.1.0">'
        f"<NamedLayer><se:Name>{layer}</se:Name><UserStyle><se:Name>{layer}</se:Name>"
        f"<se:FeatureTypeStyle>{body}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )


def _rows(rule: Rule) -> str:
    if not rule.column:
        return ""
    test, value = ("EqualTo", rule.word) if rule.above is None else ("GreaterThan", f"{rule.above:g}")
    return (
        f"<ogc:Filter><ogc:PropertyIs{test}><ogc:PropertyName>{rule.column}</ogc:PropertyName>"
        f"<ogc:Literal>{value}</ogc:Literal></ogc:PropertyIs{test}></ogc:Filter>"
    )


def _symbol(rule: Rule) -> str:
    if rule.geometry == "area":
        fill = (
            f'<se:Fill><se:SvgParameter name="fill">{rule.colour}</se:SvgParameter>'
            f'<se:SvgParameter name="fill-opacity">{AREA_OPACITY}</se:SvgParameter></se:Fill>'
        )
        return f"<se:PolygonSymbolizer>{fill}{_stroke(rule.colour, STROKE_MM)}</se:PolygonSymbolizer>"
    if rule.geometry == "line":
        return f"<se:LineSymbolizer>{_stroke(rule.colour, STROKE_MM)}</se:LineSymbolizer>"
    # The picture is the map's own symbol; the mark stands in where a program cannot draw one.
    picture = base64.b64encode(qml.svg(rule).encode()).decode()
    known = rule.shape if rule.shape in ("circle", "triangle", "square", "star") else "circle"
    fill = "" if rule.shape == "halo" else (
        f'<se:Fill><se:SvgParameter name="fill">{rule.colour}</se:SvgParameter></se:Fill>'
    )  # fmt: skip
    return (
        '<se:PointSymbolizer><se:Graphic><se:ExternalGraphic><se:InlineContent encoding="base64">'
        f"{picture}</se:InlineContent><se:Format>image/svg+xml</se:Format></se:ExternalGraphic>"
        f"<se:Mark><se:WellKnownName>{known}</se:WellKnownName>{fill}{_stroke(INK, OUTLINE_MM)}</se:Mark>"
        f"<se:Size>{_pixels(qml.WIDTH * rule.radius_mm)}</se:Size></se:Graphic></se:PointSymbolizer>"
    )


def _stroke(colour: str, width_mm: float) -> str:
    return (
        f'<se:Stroke><se:SvgParameter name="stroke">{colour}</se:SvgParameter>'
        f'<se:SvgParameter name="stroke-width">{_pixels(width_mm)}</se:SvgParameter></se:Stroke>'
    )


def _pixels(millimetres: float) -> str:
    return f"{millimetres / PIXEL_MM:.1f}"
