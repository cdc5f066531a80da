"""Dates of films: the examples of the standard, and a reader that shares nothing with ours."""

from __future__ import annotations

import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tether.film_date import CalendarDate, FilmDateWrong, calendar_date, checked_date

#: Library of Congress, Extended Date/Time Format (EDTF) Specification, 4 February 2019,
#: https://www.loc.gov/standards/datetime/: its examples of the levels 0, 1 and 2, without those
#: of years with more than four digits, years before 0, and significant digits.
EXAMPLES = (
    *("1985-04-12", "1985-04", "1985", "1985-04-12T23:20:30", "1985-04-12T23:20:30Z"),
    *("1985-04-12T23:20:30-04", "1985-04-12T23:20:30+04:30", "1964/2008", "2004-06/2006-08"),
    *("2004-02-01/2005-02-08", "2004-02-01/2005-02", "2004-02-01/2005", "2005/2006-02"),
    *("2001-21", "1984?", "2004-06~", "2004-06-11%", "201X", "20XX", "2004-XX", "1985-04-XX"),
    *("1985-XX-XX", "1985-04-12/..", "1985-04/..", "1985/..", "../1985-04-12", "../1985-04"),
    *("../1985", "1985-04-12/", "1985-04/", "1985/", "/1985-04-12", "/1985-04", "/1985"),
    *("[1667,1668,1670..1672]", "[..1760-12-03]", "[1760-12..]", "[1760-01,1760-02,1760-12..]"),
    *("[1667,1760-12]", "[..1984]", "{1667,1668,1670..1672}", "{1960,1961-12}", "{..1984}"),
    *("2004-06-11%", "2004-06~-11", "2004?-06-11", "?2004-06-~11", "2004-%06-11", "156X-12-25"),
    *("15XX-12-25", "XXXX-12-XX", "1XXX-XX", "1XXX-12", "1984-1X", "2004-06-~01/2004-06-~20"),
    "2004-06-XX/2004-07-03",
)
NO_DATES = (
    *("19", "1987-6", "1987-13", "1987-00", "1987-02-30", "1900-02-29", "12.6.1987", "June 1987"),
    *("1987-06-12T25:00:00", "1985-04-12T23:20:30+15", "[", "[]", "{1987]", "/", "1985.."),
    *("1987-22-01", "1987-06-12-01", "1987/1988/1989", "-1987", "１９８７", "1987\x00"),
    *("1990/1987", "1987-06/1987-05"),
)


@pytest.mark.parametrize("text", EXAMPLES)
def test_an_example_of_the_standard_is_a_date(text: str) -> None:
    assert checked_date(text) == text


@pytest.mark.parametrize("text", NO_DATES)
def test_what_is_no_date_is_refused_with_examples(text: str) -> None:
    with pytest.raises(FilmDateWrong, match="1987-06-12"):
        checked_date(text)


def test_small_letters_and_blanks_are_put_right() -> None:
    assert checked_date(" 198x ") == "198X"
    assert checked_date("[1667, 1668]") == "[1667,1668]"
    assert checked_date("") == ""


_PART = st.sampled_from([*"0123456789X?~%-/.,[]{}T:Z+", "1987", "-06", "-12", ".."])


@given(st.lists(_PART, max_size=14).map("".join))
def test_another_reader_takes_what_we_take(text: str) -> None:
    """The package ``edtf`` reads every date that we read (it takes more: years before 0, say)."""
    try:
        tidy = checked_date(text)
    except FilmDateWrong:
        return
    if tidy:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the parser that it is built on
            import edtf

            assert edtf.parse_edtf(tidy) is not None


@pytest.mark.parametrize(
    ("text", "shown", "sure"),
    [
        ("1987-06-12", "1987-06-12", True),
        ("1987-06", "1987-06", True),
        ("1987", "1987", True),
        ("1987-06-12T10:00:00Z", "1987-06-12", True),
        ("1987-06~", "1987-06", False),
        ("1987?-06-12", "1987-06-12", False),
        ("1987-22", "1987", True),
        ("1987-XX", "1987", True),
        ("1987-06-XX", "1987-06", True),
        ("1987-XX-12", "1987", True),
        ("1987-06-12/1987-06-20", "1987-06", False),
        ("1987-06/1987-08", "1987", False),
    ],
)
def test_what_a_calendar_can_show_of_a_date(text: str, shown: str, sure: bool) -> None:
    found = calendar_date(text)
    assert found is not None
    assert (found.text(), found.sure) == (shown, sure)


@pytest.mark.parametrize("text", ["198X", "1985/1987", "1985/..", "[1985,1986]", "", "hello"])
def test_a_date_without_one_year_is_on_no_calendar(text: str) -> None:
    assert calendar_date(text) is None


def test_a_date_of_one_day_has_all_its_parts() -> None:
    assert calendar_date("1987-06-12") == CalendarDate(1987, 6, 12)
