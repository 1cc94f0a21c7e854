"""A plot of how long the observation of each point spans."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa import Figure, Plot

WIDTH, ROW = 400, 14


@dataclass(frozen=True, kw_only=True)
class SpanBars(Plot):
    """Draw a bar for each point, as long as its observation spans."""

    name = "span-bars"
    needs = ("spans",)

    def draw(self, frames, job):
        """Return one figure; text from files is escaped, as in any XML."""
        from xml.sax.saxutils import escape

        spans = frames["spans"].dropna().sort_values("span_h", ascending=False).head(40)
        if spans.empty:
            return ()
        hours = spans["span_h"].tolist()
        scale = 0.6 * WIDTH / max(max(hours), 1e-9)
        rows = [
            f'<rect x="0" y="{ROW * k}" width="{scale * span:.1f}" height="{ROW - 3}" fill="#5b7f95"/>'
            f'<text x="{scale * span + 4:.1f}" y="{ROW * k + 9}" font-size="9">{span:.1f} h, {escape(str(name))}</text>'
            for k, (name, span) in enumerate(zip(spans["point"], hours, strict=True))
        ]
        box = f'viewBox="0 0 {WIDTH} {ROW * len(rows)}"'
        svg = f'<svg xmlns="http://www.w3.org/2000/svg" {box}>{"".join(rows)}</svg>'
        alt = f"The longest span of {len(rows)} points is {hours[0]:.1f} h."
        return (Figure("spans", "How long points were observed", svg, alt, "From the first to the last occupation."),)
