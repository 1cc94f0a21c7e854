"""Figures that may stand in any page: what is not harmless is refused, with every reason."""

from __future__ import annotations

import pytest

from geoqa.core.errors import StepError
from geoqa.core.steps import Figure

OPEN = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">'


def figure(inside="<g/>", name="waits", **more):
    words = {"title": "Waits", "alt": "Two curves.", "caption": "Dotted: half."} | more
    return Figure(name=name, svg=f"{OPEN}{inside}</svg>", **words)


def test_a_harmless_figure_is_kept_as_it_is():
    inside = '<text>&lt;script&gt; {{ 7*7 }}</text><use xlink:href="#a"/><g clip-path="url(#a)"/>'
    inside += '<image href="data:image/png;base64,AA"/>'
    assert figure(inside).svg == f"{OPEN}{inside}</svg>"


@pytest.mark.parametrize(
    ("inside", "words"),
    [
        ("<script>alert(1)</script>", "element 'script'"),
        ("<style>*{}</style>", "element 'style'"),
        ("<foreignObject/>", "element 'foreignObject'"),
        ("<a/>", "element 'a'"),
        ("<animate/>", "element 'animate'"),
        ('<g onload="x()"/>', "onload="),
        ('<g ONclick="x()"/>', "ONclick="),
        ('<use href="http://a/b"/>', "href="),
        ('<use xlink:href="javascript:x()"/>', "href="),
        ('<image href="data:image/svg+xml;base64,AA"/>', "href="),
        ('<g style="fill: url(http://a)"/>', "style="),
        ("<g>", "is no XML"),
        ("<!-- x -->", "declaration, comment or instruction"),
        ('<html xmlns="http://www.w3.org/1999/xhtml"/>', "element '{http://www.w3.org/1999/xhtml}html'"),
    ],
)
def test_what_could_act_in_a_page_is_refused(inside, words):
    with pytest.raises(StepError) as caught:
        figure(inside)
    assert words in str(caught.value)


def test_an_entity_cannot_be_declared():
    bomb = '<!DOCTYPE svg [<!ENTITY a "aaaa">]><svg>&a;</svg>'
    with pytest.raises(StepError, match="must begin with <svg"):
        Figure("x", "x", bomb, "x", "x")


@pytest.mark.parametrize("name", ["", "../x", "a b", "a.svg", "-x", "x" * 81, "ä"])
def test_names_are_names_of_files(name):
    with pytest.raises(StepError, match="letters, digits and hyphens"):
        figure(name=name)


def test_every_fault_is_told():
    with pytest.raises(StepError) as caught:
        figure("<script/>", name="a b", title=" ", alt="", caption="")
    told = str(caught.value)
    assert all(word in told for word in ("title", "alt", "caption", "name", "script"))
