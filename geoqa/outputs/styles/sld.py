"""Rules as a Styled Layer Descriptor 1.1.0 with Symbology Encoding 1.1.0 (OGC 05-078r4, 05-077r4)."""

from __future__ import annotations

from geoqa.outputs.styles.rules import OUTLINE, OUTLINE_MM, SIZE_MM, STROKE_MM, Rule

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
    return (
        f"<ogc:Filter><ogc:PropertyIsEqualTo><ogc:PropertyName>{rule.column}</ogc:PropertyName>"
        f"<ogc:Literal>{rule.word}</ogc:Literal></ogc:PropertyIsEqualTo></ogc:Filter>"
    )


def _symbol(rule: Rule) -> str:
    if rule.geometry == "area":
        return f"<se:PolygonSymbolizer>{_stroke(rule.colour, STROKE_MM)}</se:PolygonSymbolizer>"
    if rule.geometry == "line":
        return f"<se:LineSymbolizer>{_stroke(rule.colour, STROKE_MM)}</se:LineSymbolizer>"
    # No mark that every reader knows is a bar: a small square stands below the symbol in its place.
    shape, size, down = ("square", SIZE_MM / 3, SIZE_MM) if rule.shape == "bar" else (rule.shape, rule.size_mm, 0.0)
    known = "circle" if shape == "ring" else shape
    moved = f"<se:DisplacementX>0</se:DisplacementX><se:DisplacementY>{_pixels(-down)}</se:DisplacementY>"
    return (
        f"<se:PointSymbolizer><se:Graphic><se:Mark><se:WellKnownName>{known}</se:WellKnownName>"
        f'<se:Fill><se:SvgParameter name="fill">{rule.colour}</se:SvgParameter></se:Fill>'
        f"{_stroke(OUTLINE, OUTLINE_MM)}</se:Mark><se:Size>{_pixels(size)}</se:Size>"
        f"{f'<se:Displacement>{moved}</se:Displacement>' if down else ''}</se:Graphic></se:PointSymbolizer>"
    )


def _stroke(colour: str, width_mm: float) -> str:
    return (
        f'<se:Stroke><se:SvgParameter name="stroke">{colour}</se:SvgParameter>'
        f'<se:SvgParameter name="stroke-width">{_pixels(width_mm)}</se:SvgParameter></se:Stroke>'
    )


def _pixels(millimetres: float) -> str:
    return f"{millimetres / PIXEL_MM:.1f}"
