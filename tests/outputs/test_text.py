"""Text of files: what may stand in a page, in a template, in a table cell."""

from __future__ import annotations

import html
import json
from xml.etree import ElementTree

import jinja2
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.outputs.text import cell_text, cut, display_text, dxf_text, json_for_html, map_text, xml_chars, xml_text

TRICKY = st.text(alphabet=st.sampled_from("{}%#<>&'\"`\\$/!-= \n\u2028\u202e\x00x7*"), max_size=30) | st.text(
    max_size=20
)


@given(st.recursive(TRICKY, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TRICKY, inner, max_size=3)))
def test_json_survives_a_template_and_a_script_element(value):
    text = json_for_html(value)
    assert json.loads(text) == value
    assert jinja2.Template(text).render() == text
    assert not set("<>&'`\u2028\u2029") & set(text)


def test_json_of_half_a_surrogate_can_be_written():
    text = json_for_html({"name": "\ud800"})
    assert text.encode("utf-8") == b'{"name":"\\ud800"}'


def test_json_refuses_what_is_no_number():
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_for_html([float("nan")])


@given(TRICKY)
def test_map_text_passes_a_template_twice_and_shows_the_name(value):
    text = map_text(value)
    once = jinja2.Template(text).render()
    assert jinja2.Template(once).render() == once == text
    assert html.unescape(text) == display_text(value)
    assert not set("{}<>`\"'$\\") & set(text)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("abc\u202etxt", "abc⟨U+202E⟩txt"),
        ("a\x00b\tc", "a⟨U+0000⟩b⟨U+0009⟩c"),
        ("one\u2028two", "one⟨U+2028⟩two"),
        ("\u200fx", "⟨U+200F⟩x"),
        ("zero\u200bwidth", "zero⟨U+200B⟩width"),
        ("\ud800", "\ufffd"),
        ("می\u200cخواهم", "می\u200cخواهم"),
        ("Ōtāne 東", "Ōtāne 東"),
        (None, ""),
        (float("nan"), ""),
        (pd.NA, ""),
        (pd.NaT, ""),
        (12.5, "12.5"),
    ],
)
def test_display_text_hides_nothing(value, shown):
    assert display_text(value) == shown


def test_cut_keeps_the_beginning():
    assert cut("abcdef", 6) == "abcdef"
    assert cut("abcdefg", 6) == "abcde…"
    assert len(cut("x" * 10_000)) == 200


@pytest.mark.parametrize(
    "text", ["=1+1", "+A1", "-A1", "@SUM(A1)", "\tA", "\rA", "＝1", '=HYPERLINK("x")', "--1", "-1+2"]
)
def test_cells_that_a_spreadsheet_would_run_get_an_apostrophe(text):
    assert cell_text(text) == "'" + text


@pytest.mark.parametrize(
    "value", [-12.5, 7, True, np.int64(-3), np.float64(-2.5), "-12.5", "+1e3", "-0,25", "KF-101", "", " =1"]
)
def test_other_cells_keep_their_value(value):
    assert cell_text(value) == value
    assert type(cell_text(value)) is type(value)


@pytest.mark.parametrize("value", [None, float("nan"), pd.NA, pd.NaT])
def test_a_missing_cell_is_empty(value):
    assert cell_text(value) == ""


def test_a_cell_can_be_written():
    assert cell_text("a\x00\ud800").encode("utf-8").decode() == "a␀\ufffd"


@given(st.text(max_size=30) | TRICKY)
def test_xml_text_comes_back_from_a_parser_in_an_element_and_in_an_attribute(value):
    text = xml_text(value)
    element = ElementTree.fromstring(f'<a b="{text}">{text}</a>')
    assert element.get("b") == element.text or not text
    assert (element.text or "") == xml_chars(value)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("a]]>b", "a]]&gt;b"),
        ("line\nbreak\ttab\r", "line&#10;break&#9;tab&#13;"),
        ("bell\x07", "bell⟨U+0007⟩"),
        ("\ufffe\uffff", "⟨U+FFFE⟩⟨U+FFFF⟩"),
        ("\ud800", "\ufffd"),
        ("abc\u202etxt", "abc\u202etxt"),  # kept as it is: programs read it
        (None, ""),
    ],
)
def test_xml_text_keeps_what_xml_can_hold(value, shown):
    assert xml_text(value) == shown


@given(st.text(alphabet=st.sampled_from("%\\^{}PUJ+0041 \n\x07"), max_size=20))
def test_dxf_text_holds_no_switch(value):
    text = dxf_text(value)
    assert "\\" not in text
    assert "^" not in text
    assert "%%" not in text
    assert text.isprintable()


@pytest.mark.parametrize(
    ("value", "shown"),
    [("50%", "50%"), ("%%d", "％％d"), ("%%%", "％％%"), ("\\U+0041", "＼U+0041"), ("{a}", "{a}"), ("^J", "＾J")],
)
def test_dxf_text_changes_only_switches(value, shown):
    assert dxf_text(value) == shown
