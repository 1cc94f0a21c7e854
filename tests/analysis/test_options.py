"""What a recipe may state of each step is what it was when somebody last looked: options and their limits are fixed.

A narrower limit or another default breaks recipes that worked. Where that is meant,
`python tests/analysis/test_options.py` writes options.json anew and its difference names the options.
"""

from __future__ import annotations

import json
from pathlib import Path

from geoqa import plugins

KEPT = Path(__file__).with_name("options.json")


def options() -> dict[str, str]:
    """Return the rule and the default of each option of the analysis steps."""
    steps = (step for step in plugins.document(plugins.catalogue())["steps"] if step["kind"] == "analysis")
    return {
        f"{step['name']}.{one['name']}": f"{one['rule']}; {one['default']}"
        for step in steps
        for one in step["parameters"]
    }


def test_the_options_of_steps_are_those_that_were_looked_at():
    assert options() == json.loads(KEPT.read_text())


if __name__ == "__main__":
    KEPT.write_text(json.dumps(options(), indent=1) + "\n")
