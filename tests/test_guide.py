"""README, guide and walkthrough say what is so: every block of theirs runs as it stands.

The blocks of a text run in their order, in one folder that holds copies of the sample sites `totara_saddle` and
`lantern_fork`, and the files of the `walkthrough`:

- ``console``: lines ``$ geoqa ...`` (one that ends with a backslash goes on), each with what it prints (``...`` stands
  for anything), nothing where that is not shown. A code that is not 0 stands behind the command, ``# exits 1``.
  Compared is what goes to the standard output, of errors (2 and up) to both streams, without the stages of a long run;
  lines are 80 columns wide.
- a block below ``<!-- file: NAME -->`` is written as that file.
- ``toml``: part of a recipe, which is sound with the rest of a recipe around it, or a whole one.
- ``python``: runs; with prompts its output is compared. One namespace for a text.
- ``text``: not run.
"""

from __future__ import annotations

import doctest
import os
import re
import runpy
import shlex
import shutil
import sys
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from geoqa import plugins
from geoqa.analysis.points.risk import Repeats
from geoqa.analysis.precision.calibration import Calibration
from geoqa.cli import main
from geoqa.core.job import COLUMNS, WORDS
from geoqa.outputs import guide
from geoqa.readers.recipe.recipe import job_from_table

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_data"
CHAPTERS = {f"guide/{name}": ROOT / "geoqa" / "guide" / f"{name}.md" for name in guide.chapters()}
PAPERS = {"README": ROOT / "README.md", **CHAPTERS, "walkthrough": SAMPLES / "walkthrough.md"}
CHECKER = doctest.OutputChecker()
#: What a long run says of the stage it is at.
STAGE = re.compile(r"(?m)^ *\d+\.\d s  .*\n")
EXITS = re.compile(r"#\s*exits (\d+)\s*$")


def tokens(path):
    return guide.parser().parse(path.read_text(encoding="utf-8"))


def blocks(path):
    """Return the fenced blocks of a text: line, language, file it is written as, content."""
    found, file = [], None
    for token in tokens(path):
        if token.type == "fence":
            found.append((token.map[0] + 1, token.info.strip(), file, token.content))
        named = guide.FILE.fullmatch(token.content) if token.type == "html_block" else None
        file = named[1] if named else None
    return found


class Reader:
    """Someone who types what a text shows, in a folder of their own."""

    def __init__(self, folder, capsys):
        self.folder, self.capsys, self.names = folder, capsys, {}

    def console(self, text):
        lines = re.sub(r" \\\n *", " ", text).rstrip("\n").split("\n")
        starts = [k for k, line in enumerate(lines) if line.startswith("$ ")]
        assert starts and starts[0] == 0, "a console block begins with a command: $ geoqa ..."
        for start, end in zip(starts, [*starts[1:], len(lines)], strict=True):
            self.command(lines[start][2:], "\n".join(lines[start + 1 : end]))

    def command(self, line, shown):
        wanted = int(found[1]) if (found := EXITS.search(line)) else 0
        name, *arguments = shlex.split(line, comments=True)
        assert name == "geoqa", f"{line}: only geoqa is run here"
        self.capsys.readouterr()
        code = main(arguments)
        out, err = self.capsys.readouterr()
        err = STAGE.sub("", err)
        assert code == wanted, f"{line}: ended with {code}\n{out}{err}"
        self.compare(line, shown, out + err if code > 1 else out)

    def compare(self, line, shown, printed):
        both = (text.strip("\n").split("\n") for text in (shown, printed.replace(os.sep, "/")))
        shown, printed = ("\n".join(line.rstrip() for line in lines) for lines in both)
        if shown:
            assert CHECKER.check_output(shown, printed, doctest.ELLIPSIS), f"{line}: prints\n{printed}\nnot\n{shown}"

    def python(self, text):
        if ">>> " not in text:
            exec(compile(text, "block", "exec"), self.names)
            return
        test = doctest.DocTestParser().get_doctest(text, self.names, "block", None, 0)
        said = []
        doctest.DocTestRunner(optionflags=doctest.ELLIPSIS).run(test, out=said.append, clear_globs=False)
        assert not said, "".join(said)
        self.names |= test.globs

    def toml(self, text):
        sound(tomllib.loads(text))

    def write(self, name, text):
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        if name.endswith(".toml") and "site" in (table := tomllib.loads(text)):
            sound(table)


def sound(table):
    """Hold a recipe, or a part of one with the demo's own lines around it, against the contract of recipes."""
    whole = table
    if not {"site", "tolerance"} <= set(table):
        demo = tomllib.loads((SAMPLES / "totara_saddle" / "site.toml").read_text(encoding="utf-8"))
        base = {name: demo[name] for name in ("site", "input", "tolerance", "requirement")}
        if "columns" in table.get("input", ()):  # then nothing is said of the demo's
            base["input"] = {"precision": "sigma", "initialization": "unknown", "timezone": "UTC"}
        whole = {**base, **table}
        for name in base.keys() & table.keys():
            whole[name] = {**base[name], **table[name]}
    job = job_from_table(whole)
    for name in job.steps:
        plugins.configure(plugins.catalogue().find(name).load(), job.steps)
    return job


@pytest.mark.parametrize("name", PAPERS)
def test_every_block_does_what_is_said(name, tmp_path, monkeypatch, capsys):
    for site in ("totara_saddle", "lantern_fork", "walkthrough"):
        shutil.copytree(SAMPLES / site, tmp_path / site, ignore=shutil.ignore_patterns("*.py", "truth.csv"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    modules = set(sys.modules)
    reader = Reader(tmp_path, capsys)
    for line, language, file, text in blocks(PAPERS[name]):
        try:
            if file:
                reader.write(file, text)
            elif language in ("console", "python", "toml"):
                getattr(reader, language)(text)
            else:
                assert language == "text", f"{language!r} is for a file: <!-- file: NAME --> stands before it"
        except Exception as error:
            raise AssertionError(f"{PAPERS[name].name}, line {line}: {error}") from error
    for made in set(sys.modules) - modules:
        if str(getattr(sys.modules[made], "__file__", None) or "").startswith(str(tmp_path)):
            del sys.modules[made]


@pytest.mark.parametrize("name", CHAPTERS)
def test_a_chapter_says_what_it_is_for_and_when_not_to_believe_it(name):
    one, parts = guide.chapters()[name.partition("/")[2]], tokens(CHAPTERS[name])
    assert (parts[0].type, parts[0].tag, parts[3].type) == ("heading_open", "h1", "paragraph_open")
    assert one.first.endswith((".", "?")) and 5 <= len(one.first.split()) <= 45, one.first
    headings = [after.content for token, after in pairwise(parts) if token.type == "heading_open"]
    assert "When not to believe it" in headings
    assert len({guide.slug(heading) for heading in headings}) == len(headings)
    assert sum(token.tag == "h1" for token in parts) == 2  # opened and closed
    markup = [
        token.content for token in parts if token.type == "html_block" and not guide.FILE.fullmatch(token.content)
    ]
    assert not markup
    assert not [token.content for token in parts if token.type == "code_block"], "indented blocks are not run"


def test_chapters_have_their_order_and_the_readme_leads_to_each():
    assert list(guide.chapters()) == list(guide.ORDER)
    links = [one.attrs.get("href") for token in tokens(PAPERS["README"]) for one in token.children or ()]
    assert {f"geoqa/guide/{name}.md" for name in guide.ORDER} <= set(links)


@pytest.mark.parametrize("name", PAPERS)
def test_links_and_pictures_lead_somewhere(name):
    path = PAPERS[name]
    inline = [one for token in tokens(path) for one in token.children or ()]
    for target in [
        one.attrs.get("href") or one.attrs.get("src") for one in inline if one.type in ("link_open", "image")
    ]:
        if ":" in target:
            continue
        file, _, place = target.partition("#")
        to = path.parent / file if file else path
        assert to.is_file(), f"{target} is not there"
        if name in CHAPTERS:
            assert to.parent == path.parent, f"{target} is not in the guide: it is not installed with it"
        if place:
            parts = tokens(to)
            slugs = {guide.slug(b.content) for a, b in pairwise(parts) if a.type == "heading_open"}
            assert place in slugs, f"{to.name} has no heading {place}"
    for one in inline:
        assert one.type != "image" or len(one.content.split()) > 3, f"{one.attrs.get('src')}: say what it shows"


@pytest.mark.parametrize(("name", "most"), [("README.md", 160), ("DEVELOPERS.md", 300)])
def test_papers_are_short_enough_to_be_read(name, most):
    assert len((ROOT / name).read_text(encoding="utf-8").splitlines()) <= most


def test_every_column_is_in_the_table_of_columns():
    told = {name: ": " + ", ".join(f"`{word}`" for word in WORDS[name]) if name in WORDS else "" for name in COLUMNS}
    text = CHAPTERS["guide/untidy-files"].read_text(encoding="utf-8")
    table = text.partition("| under `[input.columns]` | holds |\n|---|---|\n")[2].partition("\n\n")[0]
    assert table.splitlines() == [f"| `{name}` | {meaning}{told[name]} |" for name, meaning in COLUMNS.items()]


@pytest.mark.parametrize(("step", "names"), [(Calibration, ("ratio", "wrong", "site_spread")), (Repeats, ("repeat",))])
def test_a_prior_that_is_shown_is_the_one_that_is_used(step, names):
    shown = [
        tomllib.loads(text)["step"][step.name]
        for path in PAPERS.values()
        for _, language, _, text in blocks(path)
        if language == "toml" and f"[step.{step.name}]" in text
    ]
    stated = [one for one in shown if set(names) <= set(one)]
    assert stated
    assert [{name: getattr(step(), name) for name in one} for one in stated] == stated


def test_the_walkthrough_has_twenty_commands_and_the_files_that_its_script_makes():
    said = [text for _, language, _, text in blocks(PAPERS["walkthrough"]) if language == "console"]
    assert sum(text.count("$ geoqa ") for text in said) == 20
    made = runpy.run_path(str(SAMPLES / "walkthrough" / "make_site.py"))["files"]()
    assert {name: (SAMPLES / "walkthrough" / name).read_bytes().decode() for name in made} == made


BAD = """\
# A chapter

{}
"""


@pytest.mark.parametrize(
    "block",
    [
        "```toml\n[tolerance]\nhorizontal_mm = 5\n```",
        "```toml\n[step.zones]\nlevels = 0.05\n```",
        "```toml\n[matching]\n```",
        "```console\n$ geoqa steps visits\nvisit\n```",
        "```console\n$ geoqa steps nothing\n```",
        "```console\n$ rm -r out\n```",
        "```python\nassert 1 == 2\n```",
        "```python\n>>> 1 + 1\n3\n```",
        "```bash\nls\n```",
        "```csv\na,b\n```",
    ],
)
def test_a_block_that_is_not_so_is_seen(block, tmp_path, monkeypatch, capsys):
    path = tmp_path / "bad.md"
    path.write_text(BAD.format(block), encoding="utf-8")
    monkeypatch.setitem(PAPERS, "bad", path)
    with pytest.raises(AssertionError, match=r"line 3"):
        test_every_block_does_what_is_said("bad", tmp_path / "in", monkeypatch, capsys)
