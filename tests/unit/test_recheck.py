"""A recheck reads the copy that is meant, whatever it is called and whatever lies beside it."""

from __future__ import annotations

import base64
import os
import shutil
import time
from contextlib import closing
from pathlib import Path

import pytest
from blake3 import blake3

from verifier import certificate as certificates
from verifier.certificate import Act, Certificate, Copy, ManifestOf
from verifier.jobs.clearance.recheck import recheck
from verifier.jobs.progress import Unwatched
from verifier.manifest import ManifestWriter
from verifier.model import How, Kind, Sighting, named
from verifier.reporting.certificate_page import page
from verifier.reporting.clearance import recheck_text

STAMP = "2026-11-25T03:00:00+00:00"
FOLDER = "2026-014-harbour-wall"
PLAN = {"notes/plan.txt": b"plan", "orthos/wall.tif": b"wall"}


class Shelves:
    """Copies of one cleared folder on two mirrors, and its certificate."""

    def __init__(self, root: Path, folder: str = FOLDER, files: dict[str, bytes] = PLAN) -> None:
        self.folder = folder
        self.mirrors = [root / "vault", root / "faraway"]
        for mirror in self.mirrors:
            fill(mirror / folder, files)
        self.certificate = root / "certificates" / "c.json"
        self.certificate.parent.mkdir()
        manifest = self.certificate.with_name("c.manifest.gz")
        with ManifestWriter(manifest, "/volumes/bench", (), time.time) as writer:
            for path, content in sorted(files.items()):
                digest = blake3(content).digest()
                writer.add(
                    Sighting(path.encode(), Kind.FILE, len(content), 1, digest=digest, read_at=1)
                )
        self.whole = [os.fsencode(mirror / folder) for mirror in self.mirrors]
        self.of = self._certified(
            ManifestOf(manifest.name, len(files), blake3(manifest.read_bytes()).hexdigest())
        )
        certificates.write(self.of, self.certificate)

    @property
    def vault(self) -> Path:
        """The folder on the first mirror."""
        return self.mirrors[0] / self.folder

    @property
    def faraway(self) -> Path:
        """The folder on the second mirror."""
        return self.mirrors[1] / self.folder

    def _certified(self, manifest: ManifestOf) -> Certificate:
        how = How("ext4", True, "past the cache, from a disk of this machine (ext4)")
        copies = []
        for at in (b"/volumes/bench", *self.whole):
            shown, encoded = certificates.address(at)
            copies.append(Copy("vault", shown, False, 2, 8, STAMP, STAMP, how, encoded))
        return Certificate(
            certificates.SCHEMA,
            "Lantern Marsh Surveys",
            "current-surveys",
            *named(os.fsencode(self.folder)),
            2,
            0,
            8,
            Act(STAMP, "rana"),
            Act(STAMP, "rana"),
            "0.1.0",
            tuple(copies),
            (),
            (),
            manifest,
            None,
            certificates.CAUTIONS,
        )

    def recheck(self, *places: Path) -> tuple[int, list[str], list[str]]:
        """Its status, what it says of each copy, and what of each file."""
        with closing(recheck(self.certificate, places, Unwatched())) as found:
            rules = list(found.rules())[2:]
            copies = [rule.detail for rule in rules if rule.rule == "copy-whole"]
            return found.exit_status, copies, [r.detail for r in rules if r.rule == "file"]

    def text(self, *places: Path) -> str:
        """What it says to people."""
        with closing(recheck(self.certificate, places, Unwatched())) as found:
            return " ".join(" ".join(recheck_text(found)).split())


def fill(folder: Path, files: dict[str, bytes]) -> None:
    for path, content in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)


# ------------------------------------------------------------------------------ which is meant


def test_a_recorded_copy_is_read_where_it_stands_also_with_another_one_copied_into_it(tmp_path):
    shelves = Shelves(tmp_path)
    shutil.copytree(shelves.faraway, shelves.vault / FOLDER)  # the slip of a copying tool
    (shelves.vault / "notes/plan.txt").unlink()
    missing = f"{shelves.vault}/notes/plan.txt is missing."
    for places in ((), (shelves.vault,), (shelves.mirrors[0],)):
        status, _, files = shelves.recheck(*places)
        assert (status, files) == (1, [missing])


def test_a_folder_that_holds_one_of_its_own_name_is_whole_by_every_way_to_name_it(tmp_path):
    shelves = Shelves(tmp_path, files={f"{FOLDER}/plan.txt": b"plan", "wall.tif": b"wall"})
    moved = shelves.faraway.rename(tmp_path / "shelf")
    for places in ((shelves.vault,), (shelves.mirrors[0],), (moved,)):
        assert shelves.recheck(*places)[0] == 0


def test_where_a_place_and_a_folder_in_it_may_both_be_the_copy_nobody_guesses(tmp_path):
    shelves = Shelves(tmp_path)
    fill(shelves.mirrors[0], {"notes/plan.txt": b"that of the share"})
    status, (said,), _ = shelves.recheck(shelves.mirrors[0])
    assert status == 3
    assert "nobody can tell which is the copy" in said and f"Name {shelves.vault} if" in said
    assert shelves.recheck(shelves.vault)[0] == 0
    named_by_link = tmp_path / FOLDER
    named_by_link.symlink_to(shelves.mirrors[0])
    assert shelves.recheck(named_by_link)[0] == 1


def test_the_folder_is_found_below_a_place_under_the_other_unicode_form_of_its_name(tmp_path):
    shelves = Shelves(tmp_path, folder="caf\u00e9")
    (tmp_path / "shelf").mkdir()
    shelves.vault.rename(tmp_path / "shelf" / "cafe\u0301")
    assert shelves.recheck(tmp_path / "shelf")[0] == 0


# ------------------------------------------------------------------------------- strange names


@pytest.mark.parametrize(
    "folder", [b"a\nb", b"caf\xe9", "a\u202eb".encode()], ids=["control", "not text", "direction"]
)
@pytest.mark.parametrize("old", [False, True])
def test_a_copy_whose_name_is_escaped_for_people_is_read_by_its_bytes(tmp_path, folder, old):
    name = os.fsdecode(folder)
    root = tmp_path if old else tmp_path / name
    root.mkdir(exist_ok=True)
    shelves = Shelves(root, folder=name)
    if old:  # as it was written before it held the bytes of addresses
        held = shelves.certificate.read_bytes()
        for whole in shelves.whole:
            held = held.replace(b',\n      "at_b64": "' + base64.b64encode(whole) + b'"', b"")
        body = held[: held.rindex(b'  "blake3"')]
        digest = blake3(body).hexdigest()
        shelves.certificate.write_bytes(body + f'  "blake3": "{digest}"\n}}\n'.encode())
        assert b"at_b64" not in held
    for copy in shelves.of.mirrors:
        fill(Path(copy.at), PLAN)  # another folder, whose name looks alike when it is shown
    assert shelves.recheck()[0] == 0
    (shelves.vault / "notes/plan.txt").unlink()
    assert shelves.recheck()[0] == 1


def test_no_control_character_of_a_name_is_printed(tmp_path):
    shelves = Shelves(tmp_path, folder="a\x1b[31mb")
    for said in (shelves.text(), b"".join(page(shelves.of, "5a" * 32)).decode()):
        assert "\x1b" not in said and "a\\x1b[31mb of" in said.replace("</span> from", " of")
    shutil.rmtree(shelves.vault)
    assert "\x1b" not in shelves.text()


# ----------------------------------------------------------------------------- copies of its own


def lies_inside(shelves: Shelves) -> None:
    inner = shelves.faraway / FOLDER
    shutil.copytree(shelves.faraway, inner)
    shelves.vault.symlink_to(inner)


def link_to_it(shelves: Shelves) -> None:
    shelves.vault.symlink_to(shelves.faraway)


def hard_links(shelves: Shelves) -> None:
    shutil.copytree(shelves.faraway, shelves.vault, copy_function=os.link)


@pytest.mark.parametrize("made", [lies_inside, link_to_it, hard_links])
def test_what_is_another_copy_itself_is_no_copy(tmp_path, made):
    shelves = Shelves(tmp_path)
    shutil.rmtree(shelves.vault)
    made(shelves)
    status, copies, _ = shelves.recheck()
    assert status == 1
    assert len(copies) == 2 and "no copy" in copies[1]
    assert "Fewer copies than were named hold" in shelves.text()
    assert shelves.recheck(shelves.vault)[0] == 0


def test_a_place_named_twice_counts_once(tmp_path):
    shelves = Shelves(tmp_path)
    status, copies, _ = shelves.recheck(shelves.vault, shelves.mirrors[0], shelves.faraway)
    assert status == 1
    assert f"{shelves.vault} and {shelves.mirrors[0]} lead to one folder" in copies[1]
    assert ["every byte as certified" in each for each in copies] == [True, False, True]
