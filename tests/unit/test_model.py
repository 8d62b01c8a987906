"""What is printed is safe to print, and what is written down comes back as it was."""

from __future__ import annotations

import base64
import unicodedata
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from msgspec import structs

from verifier.model import (
    QUIET,
    Kind,
    Sighting,
    SmallFiles,
    Trouble,
    Verdict,
    composed,
    named,
    printable,
)

often = settings(max_examples=300, deadline=None, database=None)

DIRECTION_MARKS = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
nasty = st.sampled_from(
    [
        *(bytes([code]) for code in (*range(1, 32), 127, *range(128, 160), 0xE9, 0xFF)),
        *(mark.encode() for mark in DIRECTION_MARKS),
        *("\x85".encode(), "\u2028".encode(), "\u2029".encode(), "\x9b31m".encode()),
        *(b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\xc0\xaf", b"\xf0\x9f\x9b\xb0", b"\xc3"),
        *(b"\x1b[31m", b"a", b"/", b"\\", b"\\x1b", b" ", "é".encode(), "e\u0301".encode()),
    ]
)
path_bytes = st.one_of(
    st.binary(min_size=1, max_size=30),
    st.lists(nasty, min_size=1, max_size=8).map(b"".join),
    st.text(min_size=1, max_size=20).map(lambda text: text.encode("utf-8", "surrogatepass")),
)


@often
@given(path_bytes)
@example("".join(DIRECTION_MARKS).encode())
@example(bytes(range(1, 256)))
def test_a_printable_path_has_no_control_character_bad_byte_or_direction_mark(path):
    text = printable(path)
    text.encode("utf-8")
    assert not [each for each in text if unicodedata.category(each) in ("Cc", "Cs", "Zl", "Zp")]
    assert not set(text) & set(DIRECTION_MARKS)
    assert text.isprintable() or all(unicodedata.category(each) != "Cc" for each in text)


@often
@given(st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1))
def test_an_ordinary_name_is_printed_as_it_is(text):
    assert printable(text.encode()) == text


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (b"notes/caf\xe9.txt", "notes/caf\\xe9.txt"),
        (b"two\nlines", "two\\x0alines"),
        (b"\x1b[31mred", "\\x1b[31mred"),
        ("gpj.\u202etif".encode(), "gpj.\\u202etif"),
        (b"\xc2\x85", "\\x85"),
        (b"\xed\xa0\x80", "\\xed\\xa0\\x80"),
        ("low\u2028tide".encode(), "low\\u2028tide"),
        ("crème 🛰".encode(), "crème 🛰"),
    ],
)
def test_what_is_unsafe_is_escaped(path, text):
    assert printable(path) == text


@often
@given(path_bytes)
def test_the_name_in_a_document_leads_back_to_the_very_bytes(path):
    text, encoded = named(path)
    text.encode("utf-8")
    back = text.encode() if encoded is None else base64.b64decode(encoded, validate=True)
    assert back == path


@often
@given(path_bytes)
def test_bytes_stand_beside_a_name_only_where_it_is_not_utf_8(path):
    try:
        path.decode("utf-8")
    except UnicodeDecodeError:
        assert named(path) == (printable(path), base64.b64encode(path).decode())
    else:
        assert named(path) == (path.decode(), None)


words = st.from_regex(r"[a-z0-9]+(-[a-z0-9]+)*", fullmatch=True)


@often
@given(words, st.text(max_size=40))
def test_a_trouble_comes_back_from_its_text(cause, detail):
    trouble = Trouble(cause, detail)
    assert Trouble.parse(str(trouble)) == trouble


def test_only_what_changed_while_it_was_read_is_unsettled():
    assert Trouble("changed-while-read", "It changed.").unsettled
    assert not Trouble("input-output-error").unsettled


@often
@given(path_bytes)
def test_composing_a_path_twice_is_composing_it_once(path):
    assert composed(composed(path)) == composed(path)


@often
@given(st.text(min_size=1))
def test_both_unicode_forms_of_a_name_compose_to_one(text):
    nfc, nfd = (unicodedata.normalize(form, text) for form in ("NFC", "NFD"))
    assert composed(nfc.encode()) == composed(nfd.encode()) == nfc.encode()


def test_names_that_are_not_utf_8_have_no_other_form():
    assert composed(b"caf\xe9") == b"caf\xe9"
    assert composed(b"e\xcc\x81\xff") == b"e\xcc\x81\xff"


SEEN = Sighting(b"a", Kind.FILE, 5, 10, 20, 1, 99)


@pytest.mark.parametrize(
    ("other", "untouched"),
    [
        (Sighting(b"a", Kind.FILE, 5, 10, 20, 1, 99, digest=bytes(32), read_at=7), True),
        (Sighting(b"b", Kind.FILE, 5, 10, 20, 1, 99, links=2), True),
        (Sighting(b"a", Kind.OTHER, 5, 10, 20, 1, 99), False),
        (Sighting(b"a", Kind.FILE, 6, 10, 20, 1, 99), False),
        (Sighting(b"a", Kind.FILE, 5, 11, 20, 1, 99), False),
        (Sighting(b"a", Kind.FILE, 5, 10, 21, 1, 99), False),
        (Sighting(b"a", Kind.FILE, 5, 10, 20, 2, 99), False),
        (Sighting(b"a", Kind.FILE, 5, 10, 20, 1, 98), False),
    ],
)
def test_a_file_is_untouched_when_nothing_that_the_system_tells_has_changed(other, untouched):
    assert SEEN.untouched_since(other) is untouched
    assert other.untouched_since(SEEN) is untouched


small_files = st.builds(
    Sighting,
    path=st.sampled_from([b"a.jpg", b"flights/a.jpg", b"flights/b.jpg", b"flights/low/a.jpg"]),
    kind=st.just(Kind.FILE),
    size=st.integers(0, 1 << 18),
    mtime_ns=st.integers(-(1 << 62), 1 << 62),
    ctime_ns=st.integers(-(1 << 62), 1 << 62),
    device=st.sampled_from([0, 66_306, 2**64 - 1]),
    inode=st.integers(0, 2**64 - 1),
    links=st.integers(1, 3),
    digest=st.binary(min_size=32, max_size=32),
    read_at=st.sampled_from([1_795_557_600, 1_795_557_601]),
)


@often
@given(st.lists(small_files, max_size=20))
def test_small_files_that_were_read_together_are_told_of_each_by_itself(seen):
    together: list[SmallFiles] = []
    for one in map(SmallFiles.of, seen):
        if together and together[-1].goes_on_with(one):
            together[-1].facts.extend(one.facts)
        else:
            together.append(one)
    told = [each for some in together for each in some.sightings()]
    assert told == seen
    assert sum(some.size for some in together) == sum(each.size for each in seen)
    for before, some in pairwise(together):
        assert not before.goes_on_with(some)


def test_what_was_not_read_whole_at_once_is_no_small_file():
    read = Sighting(b"a.jpg", Kind.FILE, 3, 5, digest=b"d" * 32, read_at=7)
    assert len(SmallFiles.of(read)) == 1
    for other in ({"digest": None}, {"read_at": None}, {"fingerprints": (b"f" * 16,)}):
        with pytest.raises(ValueError, match=r"a\.jpg"):
            SmallFiles.of(structs.replace(read, **other))


def test_values_cannot_be_changed():
    with pytest.raises(AttributeError):
        SEEN.size = 6  # type: ignore[misc]


def test_three_of_the_nine_verdicts_need_no_person():
    assert len(Verdict) == 9
    assert {str(verdict) for verdict in QUIET} == {"matched", "pending", "unread"}
