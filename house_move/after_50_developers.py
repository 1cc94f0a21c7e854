"""DEVELOPERS.md: the rooms drawn, and modules called as they are called now."""
import re, sys
from pathlib import Path

path = Path(sys.argv[1]) / "DEVELOPERS.md"
text = path.read_text(encoding="utf-8")
parts = Path(__file__).parent / "parts"

block = re.search(r"\| folder \| what \| may import \|\n.*?`geoqa --help` stays quick\.\n", text, re.S)
if not block:
    print("DEVELOPERS.md: the table of folders is not there")
else:
    text = text.replace(block[0], (parts / "rooms.md").read_text(encoding="utf-8"))

#: Sections where a word in backticks is a module, and what it is called now.
WORDS = {
    "The evidence engine": {
        "taking_part": "visit_pairs", "spread": "expected_precision", "levels": "visit_means",
        "gathered": "_fix_sequences", "posterior": "_posterior", "exceedance": "covariance",
    },
    "Canopy": {"canopy_table": "_canopy_table"},
    "Revisits": {
        "further_visits": "_success_rates", "return_times": "_visit_times",
    },
    "Zones": {"zone_evidence": "_evidence", "zone_search": "_search", "zone_table": "_table"},
    "The report": {
        "client": "first_page", "circumstances": "conditions", "lists": "listings", "web": "html_page", "paper": "pdf",
    },
    "What may fail": {"guests.py": "plugins.py"},
    "Security": {"guests.py": "plugins.py"},
}
#: (what stands there, what stands there now)
LITERAL = [
    ("one module a standard in analysis/statements", "one module a standard in analysis/standards"),
    ("`outputs/record.review_id`", "`outputs/folder.review_id`"),
    ("(`_fix_sequences`, `hypotheses`)", "(`_fix_sequences`)"),
    ("Modules are in `geoqa/analysis`.", "Modules are in `analysis/closures`, `precision` and `points`."),
    ("`readers/canopy.py` walks tiles, `readers/canopy.py` holds the\nkernels;", "`readers/canopy.py` walks tiles and holds the\nkernels;"),
    ("`needs` says who is listed and in which order, `remedies` what to do (the first rule that\nholds), `_visit_times` when and for how long, `tour` and `areas` in which order to walk.",
     "`_candidates` says who is listed, in which order, and what to do (the first rule that\nholds), `_visit_times` when and for how long, `_walk` in which order to walk."),
    ("In `outputs/field` `sheet` is the page, `sketch` and `stops` its first side (a line a stop), `details` what stands behind\nit, `quiet` what no visit would show, `words` what every crew is told.",
     "In `outputs/field` `sheet` is the page and all its tables, `walk` the sketch on its first side and the waypoints."),
    ("`_evidence` (what each\npoint says), `neighbours`, `hot_spots` (exact and drawn tails, Benjamini and Hochberg), `directions` (what one base set-up\nhas too much beside the others), `_search`, `zone_outlines`, `_table`, `zone_words`, step `zones`.",
     "`_evidence` (what each\npoint says, and what one base set-up has too much beside the others), `local_statistics` (exact and drawn tails, Benjamini\nand Hochberg), `_search` with outlines, `_table` with words, step `zones`."),
    ("`evidence`, `conditions` and `listings` are the reviewer's sections, `plain_words` says\neach reason without the field's words.",
     "with each\nreason without the field's words, `evidence`, `conditions` and `listings` are the reviewer's sections."),
    ("`geoqa.figures.figures(frames, job)`", "`geoqa.reviews.output_steps.figures(frames, job)`"),
    ("`readers/_workbook.py`, `xmlpoints.py`,", "`readers/_workbook.py`, `_landxml_points.py`,"),
    ("`readers/workbook.py`, `xmlpoints.py`,", "`readers/_workbook.py`, `_landxml_points.py`,"),
    ("`packing.py`", "`outputs/map/packing.py`"),
    ("`PYTHONPATH=tests python -m bench.map_speed`", "`PYTHONPATH=tests python -m bench.map_speed`"),
    ("What is public Python is what `geoqa` and `geoqa.testing` export.", "What is public Python is what `geoqa` and `geoqa.testing` export, and nothing else."),
]
pieces = re.split(r"(?m)^(## .*\n)", text)
for k in range(1, len(pieces), 2):
    words = WORDS.get(pieces[k][3:].strip(), {})
    for a, b in words.items():
        if f"`{a}`" not in pieces[k + 1]:
            print(f"DEVELOPERS.md: {a} is not in {pieces[k].strip()}")
        pieces[k + 1] = pieces[k + 1].replace(f"`{a}`", f"`{b}`")
text = "".join(pieces)
for a, b in LITERAL:
    if a not in text and "readers/" not in a and b not in text:
        print(f"DEVELOPERS.md: not found: {a[:70]!r}")
    text = text.replace(a, b)
path.write_text(text, encoding="utf-8")
