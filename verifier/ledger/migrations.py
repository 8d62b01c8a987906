"""The ledger's schema, as numbered migrations.  Each is a list of statements; none is ever edited.

A ledger holds the number of the last migration that it went through (``user_version``).  A new
one goes through all of them, an older one through those that it lacks, in one transaction.
"""

from __future__ import annotations

from typing import Final, NamedTuple


class Migration(NamedTuple):
    """One step from a schema to the next."""

    number: int
    why: str
    statements: tuple[str, ...]


_NAMES: Final = (
    """
    CREATE TABLE shares (
        id   INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    )
    """,
    # The counts are kept by the triggers below, in the transaction that changes a sighting, so
    # that they can never disagree with the sightings.
    """
    CREATE TABLE places (
        id           INTEGER PRIMARY KEY,
        share        INTEGER NOT NULL REFERENCES shares (id),
        name         TEXT NOT NULL,                    -- 'source', or the mirror's name
        entries      INTEGER NOT NULL DEFAULT 0,       -- sightings of any kind
        files        INTEGER NOT NULL DEFAULT 0,
        bytes        INTEGER NOT NULL DEFAULT 0,
        unread_files INTEGER NOT NULL DEFAULT 0,       -- new or changed, and not read since
        unread_bytes INTEGER NOT NULL DEFAULT 0,
        wanted_files INTEGER NOT NULL DEFAULT 0,       -- a verdict waits for their reading
        wanted_bytes INTEGER NOT NULL DEFAULT 0,
        UNIQUE (share, name)
    )
    """,
    # Each folder's path stands here once and ends in a slash, the root's is empty: sorted by it,
    # a folder comes right before what lies below it.
    """
    CREATE TABLE folders (
        id    INTEGER PRIMARY KEY,
        share INTEGER NOT NULL REFERENCES shares (id),
        path  BLOB NOT NULL,
        UNIQUE (share, path)
    )
    """,
)

_SIGHTINGS: Final = (
    """
    CREATE TABLE sightings (
        place        INTEGER NOT NULL,
        folder       INTEGER NOT NULL,
        name         BLOB NOT NULL,
        kind         INTEGER NOT NULL,    -- 0 file, 1 link, 2 other
        size         INTEGER NOT NULL,
        mtime_ns     INTEGER NOT NULL,
        ctime_ns     INTEGER NOT NULL,
        inode        INTEGER NOT NULL,    -- 64 bits, kept as a signed number
        device       INTEGER NOT NULL,    -- the same
        links        INTEGER NOT NULL,
        first_seen   INTEGER NOT NULL,
        changed_seen INTEGER,             -- NULL: not changed since it was first seen
        read_at      INTEGER,             -- NULL: not read since it was new or changed
        digest       BLOB,
        fingerprints BLOB,                -- 16 bytes for each segment
        target       BLOB,
        trouble      TEXT,                -- of the last reading
        walk_trouble TEXT,                -- of the last walk: it could not even be looked at
        wanted       TEXT,                -- why a verdict waits for its reading past the cache
        -- A file's bytes as they are counted, not stored.  A hostile file may claim 8 EiB, and
        -- some of those more than a sum can hold: no file counts for more than 1 PiB.
        counted      INTEGER AS (CASE kind WHEN 0 THEN min(size, 1125899906842624) ELSE 0 END),
        PRIMARY KEY (place, folder, name)
    ) WITHOUT ROWID
    """,
    """
    CREATE INDEX unread_sightings ON sightings (place, folder, name, size)
        WHERE kind = 0 AND read_at IS NULL
    """,
    """
    CREATE INDEX wanted_sightings ON sightings (place, folder, name, size)
        WHERE kind = 0 AND wanted IS NOT NULL
    """,
    """
    CREATE INDEX read_sightings ON sightings (place, read_at, folder, name, size)
        WHERE kind = 0 AND read_at IS NOT NULL
    """,
    # What a judgement may have changed by: forgotten once it was judged.
    """
    CREATE TABLE touched (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        place  INTEGER NOT NULL,
        folder INTEGER NOT NULL,
        name   BLOB NOT NULL
    )
    """,
)

_SIGHTING_COUNTED: Final = """
    CREATE TRIGGER sighting_counted AFTER UPDATE OF {columns} ON sightings
        WHEN OLD.kind <> NEW.kind OR OLD.size <> NEW.size
            OR (OLD.read_at IS NULL) <> (NEW.read_at IS NULL)
            OR (OLD.wanted IS NULL) <> (NEW.wanted IS NULL)
    BEGIN
        UPDATE places SET
            files        = files + (NEW.kind = 0) - (OLD.kind = 0),
            bytes        = bytes + NEW.counted - OLD.counted,
            unread_files = unread_files + (NEW.kind = 0 AND NEW.read_at IS NULL)
                                        - (OLD.kind = 0 AND OLD.read_at IS NULL),
            unread_bytes = unread_bytes + (NEW.read_at IS NULL) * NEW.counted
                                        - (OLD.read_at IS NULL) * OLD.counted,
            wanted_files = wanted_files + (NEW.kind = 0 AND NEW.wanted IS NOT NULL)
                                        - (OLD.kind = 0 AND OLD.wanted IS NOT NULL),
            wanted_bytes = wanted_bytes + (NEW.wanted IS NOT NULL) * NEW.counted
                                        - (OLD.wanted IS NOT NULL) * OLD.counted
            WHERE id = NEW.place;
    END
    """

_TRIGGERS: Final = (
    """
    CREATE TRIGGER sighting_added AFTER INSERT ON sightings BEGIN
        UPDATE places SET
            entries      = entries + 1,
            files        = files + (NEW.kind = 0),
            bytes        = bytes + NEW.counted,
            unread_files = unread_files + (NEW.kind = 0 AND NEW.read_at IS NULL),
            unread_bytes = unread_bytes + (NEW.read_at IS NULL) * NEW.counted,
            wanted_files = wanted_files + (NEW.kind = 0 AND NEW.wanted IS NOT NULL),
            wanted_bytes = wanted_bytes + (NEW.wanted IS NOT NULL) * NEW.counted
            WHERE id = NEW.place;
        INSERT INTO touched (place, folder, name) VALUES (NEW.place, NEW.folder, NEW.name);
    END
    """,
    """
    CREATE TRIGGER sighting_removed AFTER DELETE ON sightings BEGIN
        UPDATE places SET
            entries      = entries - 1,
            files        = files - (OLD.kind = 0),
            bytes        = bytes - OLD.counted,
            unread_files = unread_files - (OLD.kind = 0 AND OLD.read_at IS NULL),
            unread_bytes = unread_bytes - (OLD.read_at IS NULL) * OLD.counted,
            wanted_files = wanted_files - (OLD.kind = 0 AND OLD.wanted IS NOT NULL),
            wanted_bytes = wanted_bytes - (OLD.wanted IS NOT NULL) * OLD.counted
            WHERE id = OLD.place;
        INSERT INTO touched (place, folder, name) VALUES (OLD.place, OLD.folder, OLD.name);
    END
    """,
    _SIGHTING_COUNTED.format(columns="kind, size, read_at, wanted"),
    """
    CREATE TRIGGER sighting_touched
        AFTER UPDATE OF kind, size, mtime_ns, target, digest, trouble, walk_trouble ON sightings
        WHEN OLD.digest IS NOT NEW.digest OR OLD.trouble IS NOT NEW.trouble
            OR OLD.walk_trouble IS NOT NEW.walk_trouble OR OLD.size <> NEW.size
            OR OLD.mtime_ns <> NEW.mtime_ns OR OLD.kind <> NEW.kind
            OR OLD.target IS NOT NEW.target
    BEGIN
        INSERT INTO touched (place, folder, name) VALUES (NEW.place, NEW.folder, NEW.name);
    END
    """,
)

_AGREEMENTS: Final = (
    """
    CREATE TABLE agreements (
        mirror          INTEGER NOT NULL,    -- its place
        folder          INTEGER NOT NULL,
        name            BLOB NOT NULL,
        kind            INTEGER NOT NULL,
        size            INTEGER NOT NULL,
        source_mtime_ns INTEGER NOT NULL,
        mirror_mtime_ns INTEGER,             -- NULL: the same as the source's
        digest          BLOB,
        target          BLOB,
        earlier         BLOB,                -- 32 bytes for each digest agreed before, oldest first
        agreed_at       INTEGER NOT NULL,
        PRIMARY KEY (mirror, folder, name)
    ) WITHOUT ROWID
    """,
)

_FINDINGS: Final = (
    """
    CREATE TABLE findings (
        id             INTEGER PRIMARY KEY AUTOINCREMENT,
        mirror         INTEGER NOT NULL REFERENCES places (id),
        path           BLOB NOT NULL,
        verdict        TEXT NOT NULL,
        cause          TEXT,
        side           TEXT,
        size           INTEGER NOT NULL,
        detail         TEXT NOT NULL,
        advice         TEXT NOT NULL,
        other_path     BLOB,
        damage         TEXT,                -- JSON
        state          TEXT NOT NULL,       -- open, accepted, closed
        standing       TEXT NOT NULL,       -- JSON: what both sides held when it was last found
        first_seen     INTEGER NOT NULL,
        last_seen      INTEGER NOT NULL,
        closed_at      INTEGER,
        closed_by      TEXT,
        accepted_by    TEXT,
        accepted_at    INTEGER,
        accepted_for   TEXT,
        accepted_state TEXT,                -- JSON: what both sides held when it was accepted
        UNIQUE (mirror, path, verdict)
    )
    """,
    """
    CREATE UNIQUE INDEX lasting_findings ON findings (mirror, path) WHERE state <> 'closed'
    """,
    """
    CREATE TABLE finding_events (
        id      INTEGER PRIMARY KEY,
        finding INTEGER NOT NULL REFERENCES findings (id),
        at      INTEGER NOT NULL,
        what    TEXT NOT NULL,
        detail  TEXT NOT NULL
    )
    """,
    """
    CREATE INDEX events_by_finding ON finding_events (finding)
    """,
)

_SHIFTS: Final = (
    """
    CREATE TABLE shifts (
        id         INTEGER PRIMARY KEY AUTOINCREMENT,
        started    INTEGER NOT NULL,
        ended      INTEGER,                 -- NULL: it runs, or was cut off
        stopped_by TEXT
    )
    """,
    """
    CREATE TABLE shift_readings (
        shift    INTEGER NOT NULL REFERENCES shifts (id),
        place    INTEGER NOT NULL REFERENCES places (id),
        files    INTEGER NOT NULL,
        bytes    INTEGER NOT NULL,
        troubles INTEGER NOT NULL,
        PRIMARY KEY (shift, place)
    ) WITHOUT ROWID
    """,
    """
    CREATE TABLE walks (
        id       INTEGER PRIMARY KEY,
        place    INTEGER NOT NULL REFERENCES places (id),
        shift    INTEGER REFERENCES shifts (id),
        at       INTEGER NOT NULL,
        known    INTEGER NOT NULL,
        seen     INTEGER NOT NULL,
        new      INTEGER NOT NULL,
        changed  INTEGER NOT NULL,
        vanished INTEGER NOT NULL,
        hidden   INTEGER NOT NULL,
        files    INTEGER NOT NULL,
        bytes    INTEGER NOT NULL,
        agreed   INTEGER NOT NULL,
        agreed_changed  INTEGER NOT NULL,
        agreed_vanished INTEGER NOT NULL
    )
    """,
    """
    CREATE INDEX walks_by_place ON walks (place, at)
    """,
    """
    CREATE TABLE overrides (
        id      INTEGER PRIMARY KEY,
        at      INTEGER NOT NULL,
        who     TEXT NOT NULL,
        command TEXT NOT NULL,
        why     TEXT NOT NULL
    )
    """,
    """
    CREATE TABLE notices (
        id     INTEGER PRIMARY KEY,
        place  INTEGER NOT NULL REFERENCES places (id),
        at     INTEGER NOT NULL,
        what   TEXT NOT NULL,               -- unmounted, surge
        detail TEXT NOT NULL
    )
    """,
)

_ROUNDS_AND_SUSPICIONS: Final = (
    """
    CREATE TABLE rounds (
        place   INTEGER NOT NULL REFERENCES places (id),
        number  INTEGER NOT NULL,            -- from 1
        started INTEGER NOT NULL,
        ended   INTEGER,                     -- NULL: under way
        PRIMARY KEY (place, number)
    ) WITHOUT ROWID
    """,
    """
    CREATE TABLE suspicions (
        mirror       INTEGER NOT NULL REFERENCES places (id),
        path         BLOB NOT NULL,
        since        INTEGER NOT NULL,
        source       BLOB NOT NULL,          -- the digests that made the suspicion
        source_since INTEGER NOT NULL,
        mirror_digest BLOB NOT NULL,
        mirror_since INTEGER NOT NULL,
        confirmed_at INTEGER,                -- NULL: a second reading of both is waited for
        PRIMARY KEY (mirror, path)
    ) WITHOUT ROWID
    """,
    """
    CREATE INDEX waiting_suspicions ON suspicions (mirror, path) WHERE confirmed_at IS NULL
    """,
)

_CHAIN: Final = (
    # Every record that somebody may want to look otherwise afterwards has an entry here; the
    # module `chain` says how they hang together.
    """
    CREATE TABLE chain (
        number INTEGER PRIMARY KEY,          -- from 1, without a gap
        at     INTEGER NOT NULL,
        what   TEXT NOT NULL,                -- which kind of record
        row    INTEGER NOT NULL,             -- its number among those
        digest BLOB NOT NULL,                -- of what it says
        link   BLOB NOT NULL                 -- of the link before and this digest
    )
    """,
    # A finding holds its last acceptance only, and learns digests that were not known then: here
    # stands each as it was.
    """
    CREATE TABLE acceptances (
        id       INTEGER PRIMARY KEY,
        finding  INTEGER NOT NULL REFERENCES findings (id),
        at       INTEGER NOT NULL,
        who      TEXT NOT NULL,
        because  TEXT NOT NULL,
        standing TEXT                        -- JSON: what both sides held
    )
    """,
    """
    CREATE INDEX acceptances_by_finding ON acceptances (finding)
    """,
    """
    INSERT INTO acceptances (finding, at, who, because, standing)
        SELECT id, accepted_at, accepted_by, accepted_for, accepted_state FROM findings
        WHERE accepted_at IS NOT NULL ORDER BY accepted_at, id
    """,
    # Only files are ever read.  With their kind in the index's condition, SQLite looks up the
    # kind of each in the table, which takes forty times as long as the index itself.
    """
    DROP INDEX read_sightings
    """,
    """
    CREATE INDEX read_sightings ON sightings (place, read_at, folder, name, size)
        WHERE read_at IS NOT NULL
    """,
    # Seconds in which the place was being read; NULL: not known.
    """
    ALTER TABLE shift_readings ADD COLUMN seconds REAL
    """,
)

_NEIGHBOURS: Final = (
    """
    CREATE TABLE neighbours (
        place  INTEGER NOT NULL REFERENCES places (id),
        path   BLOB NOT NULL,
        around BLOB NOT NULL,                -- the damaged path that it is read again for
        at     INTEGER NOT NULL,
        PRIMARY KEY (place, path)
    ) WITHOUT ROWID
    """,
)

_CERTIFICATES: Final = (
    """
    CREATE TABLE clearances (
        id           INTEGER PRIMARY KEY AUTOINCREMENT,
        share        INTEGER NOT NULL REFERENCES shares (id),
        folder       BLOB NOT NULL,               -- its path in the share, with a slash
        requested_at INTEGER NOT NULL,
        requested_by TEXT NOT NULL,
        marked       INTEGER NOT NULL DEFAULT 0,  -- 1: all its files were marked to be read
        state        TEXT NOT NULL,               -- asked, refused, granted
        ended_at     INTEGER
    )
    """,
    """
    CREATE UNIQUE INDEX lasting_clearances ON clearances (share, folder) WHERE state <> 'granted'
    """,
    # Files that changed after the request.  Whether they were then read past the cache does not
    # follow from the sighting, as it does for all others.
    """
    CREATE TABLE clearance_changes (
        clearance INTEGER NOT NULL REFERENCES clearances (id),
        place     INTEGER NOT NULL,
        folder    INTEGER NOT NULL,
        name      BLOB NOT NULL,
        ctime_ns  INTEGER NOT NULL,               -- of the change: a later one is another one
        proven    INTEGER NOT NULL DEFAULT 0,     -- 1: read past the cache as it is since then
        PRIMARY KEY (clearance, place, folder, name)
    ) WITHOUT ROWID
    """,
    """
    CREATE TABLE certificates (
        id         INTEGER PRIMARY KEY AUTOINCREMENT,
        clearance  INTEGER NOT NULL REFERENCES clearances (id),
        share      INTEGER NOT NULL REFERENCES shares (id),
        folder     BLOB NOT NULL,
        granted_at INTEGER NOT NULL,
        granted_by TEXT NOT NULL,
        files      INTEGER NOT NULL,
        bytes      INTEGER NOT NULL,
        digest     BLOB NOT NULL,
        manifest   BLOB NOT NULL,                 -- the digest of its manifest
        file       BLOB NOT NULL,                 -- where it was written to
        content    BLOB NOT NULL                  -- the certificate itself, as it was written
    )
    """,
    """
    CREATE TABLE certified (
        folder      INTEGER NOT NULL,
        name        BLOB NOT NULL,
        certificate INTEGER NOT NULL REFERENCES certificates (id),
        kind        INTEGER NOT NULL,
        size        INTEGER NOT NULL,
        digest      BLOB,
        target      BLOB,
        PRIMARY KEY (folder, name, certificate)
    ) WITHOUT ROWID
    """,
)

_NOTICES_OF_SHIFTS: Final = ("ALTER TABLE notices ADD COLUMN shift INTEGER REFERENCES shifts (id)",)
_NIGHTS: Final = (
    # What cannot be told afterwards: sightings and findings say how things stand, not how they
    # stood.
    """
    CREATE TABLE nights (
        shift        INTEGER NOT NULL REFERENCES shifts (id),
        place        INTEGER NOT NULL REFERENCES places (id),
        at           INTEGER NOT NULL,
        files        INTEGER NOT NULL,
        bytes        INTEGER NOT NULL,
        unread_files INTEGER NOT NULL,
        unread_bytes INTEGER NOT NULL,
        free         INTEGER,                -- bytes left on its disk; NULL: not known
        PRIMARY KEY (shift, place)
    ) WITHOUT ROWID
    """,
    """
    CREATE TABLE night_verdicts (
        shift    INTEGER NOT NULL REFERENCES shifts (id),
        mirror   INTEGER NOT NULL REFERENCES places (id),
        verdict  TEXT NOT NULL,
        paths    INTEGER NOT NULL,
        accepted INTEGER NOT NULL,           -- how many of them a person accepted
        PRIMARY KEY (shift, mirror, verdict)
    ) WITHOUT ROWID
    """,
)

_MESSAGES: Final = (
    # ``recipients`` is a digest over the addresses as the settings write them, secrets not filled
    # in: who is told is not on record, only whether it is the same people.
    """
    CREATE TABLE messages (
        id         INTEGER PRIMARY KEY AUTOINCREMENT,
        at         INTEGER NOT NULL,
        kind       TEXT NOT NULL,               -- shift, weekly, at once, trouble, heartbeat
        about      TEXT,                        -- what lasts, and is not told again while it does
        over_at    INTEGER,                     -- when that was found to be over
        recipients BLOB NOT NULL,
        subject    TEXT NOT NULL,
        body       TEXT NOT NULL
    )
    """,
    """
    CREATE INDEX lasting_messages ON messages (about) WHERE about IS NOT NULL AND over_at IS NULL
    """,
    """
    CREATE TABLE deliveries (
        message   INTEGER NOT NULL REFERENCES messages (id),
        recipient BLOB NOT NULL,                -- a digest of the address as it is written
        label     TEXT NOT NULL,                -- what of it is never secret
        state     TEXT NOT NULL,                -- waiting, delivered, given up
        tries     INTEGER NOT NULL DEFAULT 0,
        tried_at  INTEGER,                      -- the last time
        said      TEXT,                         -- why the last try failed
        PRIMARY KEY (message, recipient)
    ) WITHOUT ROWID
    """,
    """
    CREATE INDEX waiting_deliveries ON deliveries (message) WHERE state = 'waiting'
    """,
    """
    CREATE TABLE told (
        finding    INTEGER NOT NULL REFERENCES findings (id),
        recipients BLOB NOT NULL,
        turned     INTEGER NOT NULL,            -- the event by which it was open then
        message    INTEGER NOT NULL REFERENCES messages (id),
        PRIMARY KEY (finding, recipients)
    ) WITHOUT ROWID
    """,
)

_CERTIFIED_BY: Final = (
    # The chain goes through what each certificate covers.
    "CREATE INDEX certified_by_certificate ON certified (certificate)",
)

_SPENDING: Final = (
    """
    CREATE TABLE spending (
        place INTEGER NOT NULL REFERENCES places (id),
        month TEXT NOT NULL,                    -- the studio's, such as 2026-11
        bytes INTEGER NOT NULL,
        PRIMARY KEY (place, month)
    ) WITHOUT ROWID
    """,
)

_DEPARTURES: Final = (
    """
    CREATE TABLE departures (
        place  INTEGER NOT NULL REFERENCES places (id),
        folder INTEGER NOT NULL REFERENCES folders (id),
        name   BLOB NOT NULL,                   -- of the last path that left it uncertified
        at     INTEGER NOT NULL,                -- when that was seen
        PRIMARY KEY (place, folder)
    ) WITHOUT ROWID
    """,
)

_FIRST_LOOKS: Final = (
    # 1: what stands there is still to be looked through as a whole for what is to be judged: it was
    # recorded without being touched, or touched and forgotten before this mirror was there.  Of
    # what was recorded until now nobody knows.
    "ALTER TABLE places ADD COLUMN unjudged INTEGER NOT NULL DEFAULT 0",
    "UPDATE places SET unjudged = 1",
    # Who adds sightings counts and touches them, in the same transaction and some thousand at a
    # time: a trigger for each took as long as the row itself, also where it had nothing to do.
    "DROP TRIGGER sighting_added",
)

_TOUCHED_BY_NUMBER: Final = (
    # With AUTOINCREMENT, SQLite looked up and wrote the last number in a table of its own for each
    # path that a trigger touched.  That a number never comes again is now seen to where paths are
    # forgotten, some thousand at a time: the row with the last number stays, as one of no place.
    "CREATE TEMP TABLE touched_before AS SELECT number, place, folder, name FROM touched",
    """
    INSERT INTO temp.touched_before (number, place, folder, name)
        SELECT seq, 0, 0, x'' FROM sqlite_sequence WHERE name = 'touched'
            AND NOT EXISTS (SELECT 1 FROM touched WHERE number >= seq)
    """,
    "DROP TABLE touched",
    """
    CREATE TABLE touched (
        number INTEGER PRIMARY KEY,
        place  INTEGER NOT NULL,             -- 0: of none, so that the last number stays known
        folder INTEGER NOT NULL,
        name   BLOB NOT NULL
    )
    """,
    """
    INSERT INTO touched (number, place, folder, name)
        SELECT number, place, folder, name FROM temp.touched_before ORDER BY number
    """,
    "DROP TABLE temp.touched_before",
)

_LAST_HELD: Final = (
    # Of paths that a certificate covers: what the source held of each when it left.  Where that
    # was something newer than what was certified, no certificate releases it.
    """
    CREATE TABLE last_held (
        folder   INTEGER NOT NULL REFERENCES folders (id),
        name     BLOB NOT NULL,
        kind     INTEGER NOT NULL,
        size     INTEGER NOT NULL,
        mtime_ns INTEGER NOT NULL,
        digest   BLOB,                          -- NULL: nobody has read it as it was then
        target   BLOB,
        PRIMARY KEY (folder, name)
    ) WITHOUT ROWID
    """,
)

_COUNTED_ON_CALL: Final = (
    # Readings that find what others found write nothing but `read_at`, and call no trigger, which
    # took a quarter of their time.  Whoever sets `read_at` to NULL, or from it, sets one of these.
    "DROP TRIGGER sighting_counted",
    _SIGHTING_COUNTED.format(columns="kind, size, wanted"),
)

_CAME_OFF: Final = (
    # What came off a place in the seconds that shift_readings tells of, also of files that were
    # not finished: one that is too slow for its files would show no pace.  It proves nothing, and
    # is no part of the record that shows tampering.
    """
    CREATE TABLE came_off (
        shift INTEGER NOT NULL REFERENCES shifts (id),
        place INTEGER NOT NULL REFERENCES places (id),
        bytes INTEGER NOT NULL,
        PRIMARY KEY (shift, place)
    ) WITHOUT ROWID
    """,
)

MIGRATIONS: Final = (
    Migration(
        1,
        "what was seen and read, agreed and found, and in which shifts",
        (*_NAMES, *_SIGHTINGS, *_TRIGGERS, *_AGREEMENTS, *_FINDINGS, *_SHIFTS),
    ),
    Migration(
        2,
        "rounds of the audit, and suspicions that wait for their second reading",
        _ROUNDS_AND_SUSPICIONS,
    ),
    Migration(
        3,
        "a chain of digests over what was recorded, and how long each place was read",
        _CHAIN,
    ),
    Migration(
        4,
        "certificates",
        _CERTIFICATES,
    ),
    Migration(
        5,
        "what is read again because damage was found near it",
        _NEIGHBOURS,
    ),
    Migration(
        6,
        "in which shift something was wrong with a place as a whole",
        _NOTICES_OF_SHIFTS,
    ),
    Migration(
        7,
        "how each place and each mirror's verdicts stood when a shift had ended",
        _NIGHTS,
    ),
    Migration(
        8,
        "messages, what became of each, and of which findings who was told",
        _MESSAGES,
    ),
    Migration(
        9,
        "all that a certificate says and covers, and the shift of a notice, in the chain",
        _CERTIFIED_BY,
    ),
    Migration(
        10,
        "how many bytes were read of each place in each month, where that costs",
        _SPENDING,
    ),
    Migration(
        11,
        "when something last left each folder of a source",
        _DEPARTURES,
    ),
    Migration(
        12,
        "what was seen and read in one go, when a place was looked at for the first time",
        _FIRST_LOOKS,
    ),
    Migration(
        13,
        "what was touched, numbered without a table of numbers beside it",
        _TOUCHED_BY_NUMBER,
    ),
    Migration(
        14,
        "what the source held last of the paths that certificates cover",
        _LAST_HELD,
    ),
    Migration(
        15,
        "files counted without a trigger for readings that find what others found",
        _COUNTED_ON_CALL,
    ),
    Migration(
        16,
        "how many bytes came off each place while it was read, also of files not finished",
        _CAME_OFF,
    ),
)
