"""Requests to clear a folder, what was read for them, and the certificates that were granted.

Whether a file was read past the cache after a request follows from its sighting: all were marked
as wanted when it was made, and only such a reading takes the mark away.  A change takes it away
too, and is therefore noted by itself.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import msgspec
from msgspec import Struct

from verifier.ledger import statements
from verifier.ledger.chain import Chain, What
from verifier.ledger.findings import Standing
from verifier.ledger.names import Names, in_path_order, split
from verifier.ledger.readings import Readings
from verifier.ledger.rows import KINDS, known_from
from verifier.ledger.store import BEFORE_ALL, PAGE, Row, Store
from verifier.ledger.values import (
    Clearance,
    Covered,
    FindingState,
    GrantedCertificate,
    Happening,
    Known,
    LastHeld,
    PlaceName,
    Proof,
)
from verifier.model import Kind, Side, forms_of

_decode_standing: Final = msgspec.json.Decoder(Standing).decode


class PastDamage(Struct, frozen=True):
    """A corrupt finding, whatever became of it.

    ``since`` is when it was opened, or opened again, for the last time; ``accepted`` is True when
    what a person decided after that still stands; ``standing`` what both sides held then.
    """

    finding: int
    path: bytes
    cause: str | None
    side: Side | None
    state: FindingState
    since: int
    accepted: bool
    standing: Standing


class Clearances:
    """The requests, one for each folder of a share until it is granted."""

    def __init__(self, store: Store, names: Names, readings: Readings) -> None:
        self._store = store
        self._names = names
        self._readings = readings

    def request(self, share: str, folder: bytes, at: int, by: str) -> Clearance:
        """The request for a folder: the one that lasts, or a new one.

        ``folder`` ends in a slash.  One that was cut off before its files were marked has led to
        no reading yet, and counts as made now.  So does one that is dated later than ``at``: it
        was made while the clock was ahead, and nobody knows what was read after it.
        """
        number = self._names.share(share)
        with self._store.transaction():
            row = self._store.row(statements.LASTING_CLEARANCE, (number, folder))
            if row is None:
                self._store.run(statements.ADD_CLEARANCE, (number, folder, at, by))
            elif not row[3] or row[1] > at:
                self._store.run(statements.ASK_ANEW, (at, by, row[0]))
                self._store.run(statements.FORGET_CHANGES, (row[0],))
            else:
                self._store.run(statements.SET_CLEARANCE, ("asked", None, row[0]))
        found = self.lasting(share, folder)
        assert found is not None
        return found

    def lasting(self, share: str, folder: bytes) -> Clearance | None:
        """The request for a folder that has not been granted yet."""
        values = self._names.share(share), folder
        row = self._store.row(statements.LASTING_CLEARANCE, values)
        if row is None:
            return None
        number, requested_at, requested_by, marked, _ = row
        return Clearance(number, share, folder, requested_at, requested_by, bool(marked))

    def marked(self, request: Clearance) -> None:
        """All of its files are marked to be read past the cache."""
        self._store.run(statements.CLEARANCE_MARKED, (request.id,))

    def refused(self, request: Clearance, at: int) -> None:
        """It was refused.  What was read for it still counts when it is asked for again."""
        self._store.run(statements.SET_CLEARANCE, ("refused", at, request.id))

    def proofs(self, request: Clearance, place: PlaceName) -> Iterator[Proof]:
        """All that is known of the folder at a place, sorted by path.

        What it gives may be marked and read while it goes on.
        """
        self._readings.flush()
        number = self._names.place(place)

        def in_folder(_path: bytes, folder: int) -> Iterator[Row]:
            return self._store.pages(
                statements.SIGHTINGS_FOR_CLEARANCE, (request.id, number, folder)
            )

        for path, _, row in in_path_order(self._folders(request), in_folder):
            yield _proof(known_from(path, row[:-1]), row[-1], request.requested_at)

    def proof_at(self, request: Clearance, place: PlaceName, path: bytes) -> Proof | None:
        """What is known of one path."""
        folder, name = split(path)
        number = self._names.folder(self._names.share(place.share), folder)
        values = request.id, self._names.place(place), number, name
        row = self._store.row(statements.SIGHTING_FOR_CLEARANCE, values)
        if row is None:
            return None
        return _proof(known_from(path, row[:-1]), row[-1], request.requested_at)

    def note_changed(
        self, request: Clearance, place: PlaceName, changed: Iterable[tuple[bytes, int]]
    ) -> None:
        """Files, each with its ctime, that changed after the request and are to be read anew."""
        number, share = self._names.place(place), self._names.share(place.share)
        with self._store.transaction():
            for path, ctime_ns in changed:
                folder, name = split(path)
                key = request.id, number, self._names.folder(share, folder), name
                self._store.run(statements.NOTE_CHANGE, (*key, ctime_ns))

    def prove_changed(self, request: Clearance) -> None:
        """Those whose mark has gone since were read past the cache.

        To be called by the run that marked them, which has kept every shift out meanwhile.
        """
        self._readings.flush()
        self._store.run(statements.PROVE_CHANGES, (request.id,))

    def left(self, request: Clearance, place: PlaceName) -> tuple[int, int]:
        """How many files of the folder wait to be read at a place, and their bytes."""
        self._readings.flush()
        row = self._store.row(
            statements.WANTED_WITHIN,
            {
                "place": self._names.place(place),
                "share": self._names.share(request.share),
                "below": request.folder,
                "beyond": _beyond(request.folder),
            },
        )
        assert row is not None
        return row[0], row[1]

    def past_damage(self, request: Clearance, mirror: PlaceName) -> Iterator[PastDamage]:
        """Every corrupt finding that there ever was on the folder, the closed ones too."""
        values = self._names.place(mirror), _beyond(request.folder), request.folder
        for path, number, cause, side, state, standing in self._store.pages(
            statements.PAST_DAMAGE, values, PAGE
        ):
            since, accepted = 0, False
            for at, what, _ in self._store.rows(statements.EVENTS, (number,)):
                if what in (Happening.OPENED, Happening.REOPENED):
                    since, accepted = at, False
                elif what == Happening.ACCEPTED:
                    accepted = True
            yield PastDamage(
                number,
                path,
                cause,
                None if side is None else Side(side),
                FindingState(state),
                since,
                accepted,
                _decode_standing(standing),
            )

    def departures(self, request: Clearance, since: int) -> Iterator[tuple[bytes, int]]:
        """Of each folder in it, the path that left the source last, and when that was seen.

        Those since ``since`` only, and none that a certificate had released.
        """
        rows = self._store.rows(
            statements.DEPARTURES_WITHIN,
            {
                "place": self._names.place(PlaceName(request.share)),
                "since": since,
                "below": request.folder,
                "beyond": _beyond(request.folder),
            },
        )
        for folder, name, at in rows:
            yield folder + name, at

    def _folders(self, request: Clearance) -> Iterator[Row]:
        share = self._names.share(request.share)
        return self._store.pages(
            statements.FOLDERS_WITHIN,
            (share, _beyond(request.folder), request.folder),
            after=BEFORE_ALL,
        )


class Certificates:
    """The certificates that were granted, and what they cover.  Each is told to the chain."""

    def __init__(self, store: Store, names: Names, chain: Chain) -> None:
        self._store = store
        self._names = names
        self._chain = chain
        self._remembered: dict[int, GrantedCertificate] = {}
        store.forget.append(self._remembered.clear)

    def add(self, request: Clearance, granted: GrantedCertificate, content: bytes) -> int:
        """Grant a request; what the ledger knows of the folder on the source is what it covers.

        The number of the certificate; that in ``granted`` is passed over.
        """
        share = self._names.share(request.share)
        with self._store.transaction():
            number = self._store.insert(
                statements.ADD_CERTIFICATE,
                (
                    request.id,
                    share,
                    request.folder,
                    granted.granted_at,
                    granted.granted_by,
                    granted.files,
                    granted.bytes,
                    granted.digest,
                    granted.manifest,
                    granted.file,
                    content,
                ),
            )
            self._store.run(
                statements.CERTIFY_FOLDER,
                {
                    "certificate": number,
                    "source": self._names.place(PlaceName(request.share)),
                    "share": share,
                    "below": request.folder,
                    "beyond": _beyond(request.folder),
                },
            )
            for what in (What.CERTIFICATE, What.COVERED):
                self._chain.extend_by(what, number, granted.granted_at)
            self._store.run(statements.SET_CLEARANCE, ("granted", granted.granted_at, request.id))
            self._store.run(statements.FORGET_CHANGES, (request.id,))
        return number

    def covering(self, share: str, path: bytes, forms: Sequence[bytes] = ()) -> Covered | None:
        """What the latest certificate that covers a path of a share says of it.

        Or else of one of its other Unicode ``forms``.
        """
        row = self._of_path(statements.COVERING, share, path, forms)
        if row is None:
            return None
        certificate, kind, size, digest, target = row
        return Covered(self.numbered(certificate), KINDS[kind], size, digest, target)

    def last_held(self, share: str, path: bytes) -> LastHeld | None:
        """What the source held of a covered path when it left; None where none has left it.

        Also under another Unicode form.
        """
        row = self._of_path(statements.LAST_HELD, share, path, forms_of(path))
        return None if row is None else LastHeld(KINDS[row[0]], *row[1:])

    def held_by_none(self, share: str, named: Iterable[PlaceName]) -> Iterator[bytes]:
        """Covered paths that no place in ``named`` holds, but one that is left out of them did.

        Some may come more than once.
        """
        known = self._names.places(share)
        named = set(named)
        others = [each for each in known if not each.is_source and each not in named]
        if not others:
            return
        values: dict[str, object] = {
            "named": json.dumps([self._names.place(each) for each in (PlaceName(share), *named)]),
            "others": json.dumps([self._names.place(each) for each in others]),
        }
        for certificate in self.of(share):
            values["certificate"] = certificate.id
            for path, number in self._names.folders(self._names.share(share), certificate.folder):
                rows = self._store.rows(statements.HELD_BY_NONE, {**values, "folder": number})
                yield from (path + name for (name,) in rows)

    def releases(self, share: str, path: bytes) -> bool:
        """Whether the source may lose a path: what it last held there is what a certificate says.

        What was written since is no certificate's, and neither is what nobody has read since.
        """
        source = self._names.place(PlaceName(share))
        folder, name = split(path)
        number = self._names.folder(self._names.share(share), folder)
        if number is None:
            return False
        return self._store.row(statements.IS_AS_CERTIFIED, (number, name, source)) is not None

    def of(self, share: str) -> list[GrantedCertificate]:
        """Every certificate on a folder of a share, in the order in which they were granted."""
        rows = self._store.rows(statements.CERTIFICATES_OF_SHARE, (self._names.share(share),))
        return [GrantedCertificate(*row) for row in rows]

    def _of_path(
        self, statement: str, share: str, path: bytes, forms: Sequence[bytes]
    ) -> Row | None:
        """The first row for a path, or else for one of its forms."""
        number = self._names.share(share)
        for form in dict.fromkeys((path, *forms)):
            folder, name = split(form)
            in_folder = self._names.folder(number, folder)
            if in_folder is not None and (row := self._store.row(statement, (in_folder, name))):
                return row
        return None

    def numbered(self, number: int) -> GrantedCertificate:
        """The certificate of that number, which must be one that there is."""
        known = self._remembered.get(number)
        if known is None:
            row = self._store.row(statements.CERTIFICATE, (number,))
            assert row is not None
            known = self._remembered[number] = GrantedCertificate(*row)
        return known

    def content(self, number: int) -> bytes:
        """The certificate as it was written, by which a file that was lost can be restored."""
        row = self._store.row(statements.CERTIFICATE_CONTENT, (number,))
        assert row is not None
        content: bytes = row[0]
        return content


def _beyond(folder: bytes) -> bytes:
    """The first path that sorts behind all that lie in a folder."""
    return folder[:-1] + b"0"  # what follows the slash


def _proof(known: Known, proven_ctime: int | None, requested_at: int) -> Proof:
    sighting = known.sighting
    changed = known.changed_or_first_seen >= requested_at
    if sighting.kind is not Kind.FILE:
        return Proof(known, changed, proven=True)
    read = (
        known.wanted is None
        and sighting.read_at is not None
        and sighting.read_at >= requested_at
        and (not changed or proven_ctime == sighting.ctime_ns)
    )
    return Proof(known, changed, proven=read)
