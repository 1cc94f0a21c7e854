"""Rules as QML, the style language of the open desktop GIS that reads the table `layer_styles`."""

from __future__ import annotations

from geoqa.outputs.styles.rules import OUTLINE, OUTLINE_MM, SIZE_MM, STROKE_MM, Rule

#: What each kind of symbol is called, and the layer that draws it.
_CALLED = {"point": ("marker", "SimpleMarker"), "line": ("line", "SimpleLine"), "area": ("fill", "SimpleFill")}


def document(drawn: tuple[Rule, ...]) -> str:
    """Return the style of a layer: a rule-based renderer, and nothing else of the layer's settings."""
    rules = "".join(f'<rule key="{k}" symbol="{k}" label="{rule.label}"{_rows(rule)}/>' for k, rule in enumerate(drawn))
    symbols = "".join(_symbol(k, rule) for k, rule in enumerate(drawn))
    return (
        '<qgis version="3.28" styleCategories="Symbology"><renderer-v2 type="RuleRenderer" symbollevels="0" '
        f'enableorderby="0" forceraster="0"><rules key="rules">{rules}</rules><symbols>{symbols}</symbols>'
        "</renderer-v2></qgis>"
    )


def _rows(rule: Rule) -> str:
    return f" filter=\"&quot;{rule.column}&quot; = '{rule.word}'\"" if rule.column else ""


def _symbol(number: int, rule: Rule) -> str:
    kind, drawn_by = _CALLED[rule.geometry]
    options = "".join(
        f'<Option type="QString" name="{name}" value="{value}"/>' for name, value in _options(rule).items()
    )
    return (
        f'<symbol type="{kind}" name="{number}" alpha="1" clip_to_extent="1" force_rhr="0"><layer class="{drawn_by}" '
        f'enabled="1" locked="0" pass="0"><Option type="Map">{options}</Option></layer></symbol>'
    )


def _options(rule: Rule) -> dict[str, str]:
    colour, outline = _rgba(rule.colour), _rgba(OUTLINE)
    if rule.geometry == "line":
        return {"line_color": colour, "line_width": str(STROKE_MM), "line_width_unit": "MM", "line_style": "solid"}
    if rule.geometry == "area":
        width = {"outline_width": str(STROKE_MM), "outline_width_unit": "MM"}
        return {"style": "no", "color": colour, "outline_color": colour, "outline_style": "solid", **width}
    look = {"color": colour, "outline_color": outline, "outline_width": str(OUTLINE_MM), "outline_width_unit": "MM",
            "size": str(rule.size_mm), "size_unit": "MM", "offset_unit": "MM"}  # fmt: skip
    if rule.shape == "bar":
        return {**look, "name": "rectangle", "size": str(SIZE_MM / 2), "offset": f"0,{0.9 * SIZE_MM:.1f}"}
    if rule.shape == "ring":
        return {**look, "name": "circle", "outline_width": str(STROKE_MM)}
    return {**look, "name": rule.shape}


def _rgba(colour: str) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},255"
