"""Amounts, counts and durations read well at every size, and never round to another unit."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.measures import amount, count, duration

often = settings(max_examples=300, deadline=None, database=None)
UNITS = {"byte": 1, "bytes": 1, "kB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12, "PB": 10**15}
SECONDS = {"s": 1, "min": 60, "h": 3600, "d": 86400}


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (2, "2 bytes"),
        (999, "999 bytes"),
        (1_000, "1.0 kB"),
        (1_050, "1.1 kB"),
        (99_949, "99.9 kB"),
        (99_950, "100 kB"),
        (999_499, "999 kB"),
        (999_500, "1.0 MB"),
        (64 * 1024 * 1024, "67.1 MB"),
        (212_000_000_000, "212 GB"),
        (240 * 10**12, "240 TB"),
        (999_499 * 10**9, "999 TB"),
        (5 * 10**15, "5.0 PB"),
        (10**18, "1000 PB"),
    ],
)
def test_an_amount_in_words(size, words):
    assert amount(size) == words


@often
@given(st.integers(0, 10**18))
def test_an_amount_is_at_most_a_twentieth_off_and_has_at_most_three_digits(size):
    number, unit = amount(size).split(" ")
    assert abs(float(number) * UNITS[unit] - size) <= max(size / 19, 0)
    if size < 999 * 10**15:
        assert len(number.replace(".", "")) <= 3
        assert float(number) < 1000


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((0, "file"), "0 files"),
        ((1, "file"), "1 file"),
        ((2, "file"), "2 files"),
        ((12345, "file"), "12,345 files"),
        ((1, "copy", "copies"), "1 copy"),
        ((2, "copy", "copies"), "2 copies"),
    ],
)
def test_a_count_with_its_noun(words, expected):
    assert count(*words) == expected


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0.0 s"),
        (0.25, "0.2 s"),
        (9.94, "9.9 s"),
        (10, "10 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (61, "1 min 1 s"),
        (3599.6, "1 h"),
        (3_725, "1 h 2 min"),
        (47 * 3600 + 59 * 60, "47 h 59 min"),
        (48 * 3600, "2 d"),
        (200_000, "2 d 7 h"),
    ],
)
def test_a_duration_in_words(seconds, words):
    assert duration(seconds) == words


@often
@given(st.floats(0, 10**8))
def test_a_duration_has_at_most_two_parts_and_loses_less_than_the_smaller_one(seconds):
    parts = re.findall(r"([0-9.]+) (s|min|h|d)", duration(seconds))
    assert " ".join(" ".join(part) for part in parts) == duration(seconds)
    assert 1 <= len(parts) <= 2
    total = sum(float(number) * SECONDS[unit] for number, unit in parts)
    units = [unit for _, unit in parts]
    smallest = {"d": 3600, "h": 60, "min": 1, "s": 1}[units[0]]
    assert abs(total - seconds) <= smallest
