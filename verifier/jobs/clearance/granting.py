"""What is left behind when a folder is cleared: the certificate, its page, its manifest.

They are written outside of every share, each whole or not at all, the certificate last: where it
stands, the others do.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Final

from blake3 import blake3
from msgspec import structs

from verifier import __version__, certificate, output
from verifier.certificate import Act, Certificate, Copy, ManifestOf, Record
from verifier.errors import OutputFailed, RequestRefused
from verifier.inside import lies_in
from verifier.jobs.clearance.look import LastLook
from verifier.jobs.clearance.rules import Facts, Tally
from verifier.ledger import Clearance, GrantedCertificate, Ledger, PlaceName
from verifier.manifest import ManifestWriter
from verifier.model import Sighting, named, printable
from verifier.places.base import Place
from verifier.settings import AddressKind, Settings, Share

Page = Callable[[Certificate, str], Iterable[bytes]]
"""The printable page of a certificate, whose own digest is the second argument."""

_SLUG: Final = re.compile(r"[^A-Za-z0-9._]+")
_SLUG_AT_MOST: Final = 80
_CHUNK: Final = 1024 * 1024


def ready_folder(settings: Settings, out: Path | None) -> Path:
    """The folder that results go to, which lies in no share and can be written.

    The one of the settings is made if it is not there.  Raises RequestRefused and OutputFailed.
    """
    folder = settings.studio.reports if out is None else out
    real = os.path.realpath(os.fsencode(os.path.abspath(folder)))
    for share in settings.shares:
        for address in (share.source, *(mirror.at for mirror in share.mirrors)):
            if address.kind is not AddressKind.FOLDER:
                continue
            if lies_in(real, os.path.realpath(os.fsencode(address.path))):
                raise RequestRefused(
                    f"{printable(os.fsencode(folder))} lies inside {address}, and nothing is ever "
                    "written into a share. Name a folder elsewhere with --out."
                )
    if out is None:
        try:
            os.makedirs(folder, exist_ok=True)
        except OSError as error:
            raise OutputFailed(
                f"The folder for reports, {printable(os.fsencode(folder))}, cannot be made "
                f"({(error.strerror or str(error)).lower()}). Make it, or name another one with "
                "--out."
            ) from error
    output.try_out(folder / "clearance.json")
    return folder


class Granting:
    """Grants one request."""

    def __init__(
        self,
        ledger: Ledger,
        settings: Settings,
        share: Share,
        places: dict[PlaceName, Place],
        out: Path,
        page: Page,
    ) -> None:
        self._ledger = ledger
        self._settings = settings
        self._share = share
        self._places = places
        self._out = out
        self._page = page

    def grant(self, request: Clearance, facts: Facts, look: LastLook, who: str, now: int) -> Path:
        """Write everything and record it; where the certificate stands.

        Nothing is recorded unless all was written.  Raises OutputFailed and LedgerFailed.
        """
        stem = self._free_stem(request, now)
        manifest = self._out / f"{stem}.manifest.gz"
        page, file = self._out / f"{stem}.html", self._out / f"{stem}.json"
        written: list[Path] = []
        try:
            written.append(manifest)
            listed = self._write_manifest(request, manifest, now)
            granted = self._certificate(request, facts, look, who, now, listed)
            with self._ledger.transaction():
                entries, head = self._ledger.chain.head()
                granted = structs.replace(granted, record=Record(entries, head))
                content = certificate.encoded(granted)
                digest = certificate.digest_in(content)
                self._ledger.certificates.add(
                    request,
                    GrantedCertificate(
                        0,
                        request.share,
                        request.folder,
                        now,
                        who,
                        bytes.fromhex(digest),
                        bytes.fromhex(listed.blake3),
                        os.fsencode(os.path.abspath(file)),
                        granted.files,
                        granted.bytes,
                    ),
                    content,
                )
                written.append(page)
                with output.whole_file(page) as out:
                    out.writelines(self._page(granted, digest))
                written.append(file)
                certificate.write(granted, file)
        except BaseException:
            for each in written:  # what this run wrote, and nobody has been told of
                with suppress(OSError):
                    os.unlink(each)
            raise
        return file

    def _write_manifest(self, request: Clearance, path: Path, now: int) -> ManifestOf:
        """The manifest of the folder as the source holds it, by paths in the folder."""
        source = PlaceName(request.share)
        at = self._places[source].shown(request.folder[:-1])
        with ManifestWriter(path, at, self._share.ignore, time.time) as writer:
            for sighting in self._in_folder(request, source):
                writer.add(sighting)
        digest = blake3()
        with open(path, "rb") as file:
            while chunk := file.read(_CHUNK):
                digest.update(chunk)
        return ManifestOf(path.name, writer.entries, digest.hexdigest())

    def _in_folder(self, request: Clearance, source: PlaceName) -> Iterator[Sighting]:
        for proof in self._ledger.clearances.proofs(request, source):
            path = proof.sighting.path[len(request.folder) :]
            yield structs.replace(proof.sighting, path=path)

    def _certificate(
        self,
        request: Clearance,
        facts: Facts,
        look: LastLook,
        who: str,
        now: int,
        manifest: ManifestOf,
    ) -> Certificate:
        folder, folder_b64 = named(request.folder[:-1])
        source = facts.copies[0]
        return Certificate(
            certificate.SCHEMA,
            self._settings.studio.name,
            request.share,
            folder,
            folder_b64,
            source.files,
            facts.links,
            source.bytes,
            Act(self._stamp(request.requested_at), request.requested_by),
            Act(self._stamp(now), who),
            __version__,
            tuple(self._copy(tally, request) for tally in facts.copies),
            facts.rules,
            tuple(map(certificate.left_out, look.left_out)),
            manifest,
            None,
            certificate.CAUTIONS,
        )

    def _copy(self, tally: Tally, request: Clearance) -> Copy:
        place = self._places[tally.place]
        at, at_b64 = certificate.address(self._address(tally.place, request.folder[:-1]))
        off_site = any(
            mirror.off_site for mirror in self._share.mirrors if mirror.name == tally.place.place
        )
        return Copy(
            tally.place.place,
            at,
            off_site and not tally.place.is_source,
            tally.files,
            tally.bytes,
            None if tally.first_read is None else self._stamp(tally.first_read),
            None if tally.last_read is None else self._stamp(tally.last_read),
            place.how_read(request.folder[:-1]),
            at_b64,
        )

    def _address(self, name: PlaceName, folder: bytes) -> bytes:
        """Where the folder stands at a place, no name in it escaped."""
        if (root := self._places[name].root) is not None:
            return os.path.join(root, folder)
        mirrors = {mirror.name: mirror.at for mirror in self._share.mirrors}
        address = self._share.source if name.is_source else mirrors[name.place]
        return os.fsencode(str(address).rstrip("/")) + b"/" + folder

    def _free_stem(self, request: Clearance, now: int) -> str:
        """A name that no file has yet, by which a person finds it again."""
        words = f"{request.share}-{printable(request.folder[:-1])}"
        slug = _SLUG.sub("-", words).strip("-.")[:_SLUG_AT_MOST]
        when = datetime.fromtimestamp(now, self._settings.hours.zone)
        stem = f"clearance-{slug}-{when:%Y-%m-%d-%H%M%S}"
        number, found = 1, stem
        while any(
            os.path.lexists(self._out / f"{found}{end}")
            for end in (".json", ".html", ".manifest.gz")
        ):
            number += 1
            found = f"{stem}-{number}"
        return found

    def _stamp(self, at: int) -> str:
        return datetime.fromtimestamp(at, self._settings.hours.zone).isoformat(timespec="seconds")
