"""A certificate tells of one edited byte, and is refused without the manifest that it names."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from blake3 import blake3
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from verifier import certificate as certificates
from verifier.certificate import (
    Act,
    Certificate,
    CertificateRefused,
    Copy,
    LeftOut,
    ManifestOf,
    Record,
    RuleResult,
)
from verifier.manifest import ManifestWriter
from verifier.model import How, Kind, Sighting
from verifier.places.file_systems import how_read
from verifier.reporting.certificate_page import page

NOW = 1_795_557_600
STAMP = "2026-11-25T03:00:00+00:00"
DIGEST = "5a" * 32

often = settings(max_examples=300, deadline=None, database=None)


def copy(place: str, off_site: bool = False) -> Copy:
    how = How("ext4", True, "past the cache, from a disk of this machine (ext4)")
    return Copy(place, f"/volumes/{place}/harbour", off_site, 1, 5, STAMP, STAMP, how)


def certified(**more: object) -> Certificate:
    values: dict[str, object] = {
        "schema": certificates.SCHEMA,
        "studio": "Lantern Marsh Surveys",
        "share": "current-surveys",
        "folder": "2026-014-harbour-wall",
        "folder_b64": None,
        "files": 1,
        "links": 0,
        "bytes": 5,
        "requested": Act(STAMP, "rana"),
        "granted": Act(STAMP, "rana"),
        "version": "0.1.0",
        "copies": (copy("source"), copy("vault"), copy("faraway", True)),
        "rules": (RuleResult("copies", True, "Of 2 copies wanted, vault and faraway hold it."),),
        "left_out": (LeftOut("2026-014-harbour-wall/.DS_Store"),),
        "manifest": ManifestOf("harbour.manifest.gz", 1, DIGEST),
        "record": Record(7, DIGEST),
        "cautions": certificates.CAUTIONS,
    }
    return Certificate(**{**values, **more})  # type: ignore[arg-type]


def test_what_was_written_is_read_back(tmp_path):
    path = tmp_path / "c.json"
    certificates.write(certified(), path)
    assert certificates.read(path) == certified()
    assert [each.name for each in tmp_path.iterdir()] == ["c.json"]


def test_any_blake3_program_can_check_all_lines_before_the_last_two(tmp_path):
    path = tmp_path / "c.json"
    certificates.write(certified(), path)
    lines = path.read_bytes().splitlines(keepends=True)
    assert lines[-1] == b"}\n"
    digest = blake3(b"".join(lines[:-2])).hexdigest()
    assert lines[-2].decode() == f'  "blake3": "{digest}"\n'
    assert certificates.digest_in(path.read_bytes()) == digest


@often
@given(st.data())
def test_one_edited_byte_is_noticed_wherever_it_stands(tmp_path_factory, data):
    content = certificates.encoded(certified())
    at = data.draw(st.integers(0, len(content) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda each: each != content[at]))
    edited = content[:at] + bytes([byte]) + content[at + 1 :]
    path = tmp_path_factory.mktemp("edited") / "c.json"
    path.write_bytes(edited)
    with pytest.raises(CertificateRefused):
        certificates.read(path)


@often
@given(st.data())
def test_a_byte_that_is_added_or_taken_away_is_noticed(tmp_path_factory, data):
    content = certificates.encoded(certified())
    at = data.draw(st.integers(0, len(content) - 1))
    added = data.draw(st.binary(max_size=2))
    edited = content[:at] + added + content[at + (not added) :]
    path = tmp_path_factory.mktemp("edited") / "c.json"
    path.write_bytes(edited)
    if edited == content:
        assert certificates.read(path) == certified()
    else:
        with pytest.raises(CertificateRefused):
            certificates.read(path)


def test_an_edit_whose_digest_was_made_anew_must_still_be_a_certificate_laid_out_as_one(tmp_path):
    content = certificates.encoded(certified())
    body = content[: content.rindex(b'  "blake3"')]
    path = tmp_path / "c.json"
    for wrong in (
        body.replace(b'"files": 1', b'"files": "many"', 1),
        body.replace(b'"files": 1', b'"files":  1', 1),
        body.replace(b'"share"', b'"shared"', 1),
        body.replace(b"Lantern", b"L\xffntern", 1),
        body[:40] + b",\n",
    ):
        assert wrong != body
        path.write_bytes(wrong + f'  "blake3": "{blake3(wrong).hexdigest()}"\n}}\n'.encode())
        with pytest.raises(CertificateRefused, match="edited"):
            certificates.read(path)


def test_a_newer_certificate_is_told_from_an_edited_one(tmp_path):
    content = certificates.encoded(certified())
    path = tmp_path / "c.json"
    path.write_bytes(content.replace(b"certificate.v1", b"certificate.v2"))
    with pytest.raises(CertificateRefused, match="newer"):
        certificates.read(path)


@pytest.mark.parametrize("holds", [b"", b"{}", b"a page", b'{\n  "schema": "verifier.findings.v1"'])
def test_another_file_is_no_certificate(tmp_path, holds):
    path = tmp_path / "c.json"
    path.write_bytes(holds)
    with pytest.raises(CertificateRefused, match="no certificate"):
        certificates.read(path)


def test_one_that_is_not_there_or_is_a_folder_is_refused(tmp_path):
    with pytest.raises(CertificateRefused, match="cannot be read"):
        certificates.read(tmp_path / "none.json")
    with pytest.raises(CertificateRefused, match="no certificate"):
        certificates.read(tmp_path)


def with_manifest(folder: Path) -> tuple[Path, Certificate]:
    manifest = folder / "harbour.manifest.gz"
    with ManifestWriter(manifest, "/volumes/bench", (), lambda: NOW) as writer:
        writer.add(Sighting(b"plan.txt", Kind.FILE, 5, 1, digest=b"\1" * 32, read_at=NOW))
    digest = blake3(manifest.read_bytes()).hexdigest()
    of = certified(manifest=ManifestOf(manifest.name, 1, digest))
    certificates.write(of, folder / "c.json")
    return folder / "c.json", of


def test_the_manifest_beside_it_is_read(tmp_path):
    path, of = with_manifest(tmp_path)
    (listed,) = certificates.manifest_of(of, path)
    assert listed.path == b"plan.txt"


def test_a_missing_or_edited_manifest_is_refused(tmp_path):
    path, of = with_manifest(tmp_path)
    manifest = tmp_path / of.manifest.file
    whole = manifest.read_bytes()
    for at in range(0, len(whole), 7):
        manifest.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        with pytest.raises(CertificateRefused, match="another digest"):
            certificates.manifest_of(of, path)
    manifest.unlink()
    with pytest.raises(CertificateRefused, match="cannot be read"):
        certificates.manifest_of(of, path)


@pytest.mark.parametrize("name", ["../harbour.manifest.gz", "{}/harbour.manifest.gz", ""])
def test_a_manifest_that_stands_elsewhere_is_refused(tmp_path, name):
    beside = tmp_path / "beside"
    beside.mkdir()
    _, of = with_manifest(tmp_path)
    named = structs.replace(of.manifest, file=name.format(tmp_path))
    with pytest.raises(CertificateRefused, match="edited"):
        certificates.manifest_of(structs.replace(of, manifest=named), beside / "c.json")


@pytest.mark.skipif(not os.path.ismount("/dev/shm"), reason="no file system in memory here")
def test_a_copy_in_memory_is_not_said_to_be_read_from_a_disk():
    how = how_read(b"/dev/shm/anything")
    assert (how.file_system, how.past_cache) == ("tmpfs", False)
    assert "no disk" in how.detail


def test_a_folder_whose_name_is_not_text_is_kept_by_its_bytes(tmp_path):
    of = certified(folder="caf\\xe9", folder_b64="Y2Fm6Q==")
    certificates.write(of, tmp_path / "c.json")
    assert certificates.folder_of(certificates.read(tmp_path / "c.json")) == b"caf\xe9"
    certificates.write(certified(folder_b64="?"), tmp_path / "d.json")
    with pytest.raises(CertificateRefused):
        certificates.read(tmp_path / "d.json")


# ------------------------------------------------------------------------------------- the page


def test_the_page_holds_all_that_the_file_does_and_fetches_nothing():
    of = certified()
    text = b"".join(page(of, DIGEST)).decode()
    for said in (
        of.studio,
        of.share,
        of.folder,
        *(each.at for each in of.copies),
        *(each.how.detail for each in of.copies),
        *(each.detail for each in of.rules),
        *(each.path for each in of.left_out),
        of.manifest.file,
        of.manifest.blake3,
        of.version,
        of.requested.by,
    ):
        assert said in text
    for caution in of.cautions:
        assert caution.replace("'", "&#x27;") in text
    for outward in ("http:", "https:", "//", "<script", "<img", "<link", "@import", "url("):
        assert outward not in text


def test_a_name_that_looks_like_markup_stays_a_name_on_the_page():
    nasty = '<script>alert("x")</script>'
    of = certified(folder=nasty, share=nasty, studio=nasty, left_out=(LeftOut(nasty),))
    text = b"".join(page(of, DIGEST)).decode()
    assert nasty not in text
    assert "&lt;script&gt;" in text
