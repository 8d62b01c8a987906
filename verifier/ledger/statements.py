"""All of the ledger's SQL but its schema.  Statements only: nothing here runs them.

Streams are paged by key: a statement gives at most so many rows after a key, so that no cursor
stays open and what is streamed may be written to in between.
"""

from __future__ import annotations

from typing import Final

# ------------------------------------------------------------------------------------ the file

APPLICATION_ID: Final = 0x76726C64
"""What a ledger says it is: "vrld"."""

NEW_FILE: Final = ("PRAGMA page_size = 4096", f"PRAGMA application_id = {APPLICATION_ID}")

WRITE_AHEAD: Final = "PRAGMA journal_mode = WAL"
"""Answers with the mode that there is from now on."""

EACH_CONNECTION: Final = (
    "PRAGMA synchronous = FULL",  # a commit survives a power cut, not only a crash
    "PRAGMA fullfsync = ON",  # macOS: as fsync is understood elsewhere
    "PRAGMA checkpoint_fullfsync = ON",
    "PRAGMA secure_delete = OFF",
    "PRAGMA foreign_keys = OFF",  # declared for the reader; names are never removed
    "PRAGMA cache_size = -32000",  # kilobytes
    "PRAGMA wal_autocheckpoint = 4000",  # pages: 16 MB
    "PRAGMA journal_size_limit = 67108864",
)

BEGIN: Final = "BEGIN IMMEDIATE"
BEGIN_STAGING: Final = "BEGIN"
COMMIT: Final = "COMMIT"
ROLLBACK: Final = "ROLLBACK"

SCHEMA_VERSION: Final = "PRAGMA user_version"
SET_SCHEMA_VERSION: Final = "PRAGMA user_version = {number:d}"
QUICK_CHECK: Final = "PRAGMA quick_check(20)"

COPY_BEGINS: Final = ("PRAGMA journal_mode = OFF", "PRAGMA synchronous = OFF")
COPY_STANDS_ALONE: Final = "PRAGMA journal_mode = DELETE"

ENDS: Final = (
    "SELECT * FROM shares ORDER BY id DESC LIMIT 1",
    "SELECT * FROM shares ORDER BY name LIMIT 1",
    "SELECT * FROM places ORDER BY id DESC LIMIT 1",
    "SELECT * FROM places ORDER BY share, name LIMIT 1",
    "SELECT * FROM folders ORDER BY id DESC LIMIT 1",
    "SELECT * FROM folders ORDER BY share, path LIMIT 1",
    "SELECT * FROM folders ORDER BY share DESC, path DESC LIMIT 1",
    "SELECT * FROM sightings ORDER BY place, folder, name LIMIT 1",
    "SELECT * FROM sightings ORDER BY place DESC, folder DESC, name DESC LIMIT 1",
    """SELECT name FROM sightings INDEXED BY unread_sightings
        WHERE kind = 0 AND read_at IS NULL ORDER BY place, folder, name LIMIT 1""",
    """SELECT name FROM sightings INDEXED BY wanted_sightings
        WHERE kind = 0 AND wanted IS NOT NULL ORDER BY place, folder, name LIMIT 1""",
    """SELECT name FROM sightings INDEXED BY read_sightings
        WHERE read_at IS NOT NULL ORDER BY place, read_at, folder LIMIT 1""",
    """SELECT name FROM sightings INDEXED BY read_sightings
        WHERE read_at IS NOT NULL
        ORDER BY place DESC, read_at DESC, folder DESC LIMIT 1""",
    "SELECT * FROM last_held ORDER BY folder, name LIMIT 1",
    "SELECT * FROM touched ORDER BY number LIMIT 1",
    "SELECT * FROM touched ORDER BY number DESC LIMIT 1",
    "SELECT * FROM agreements ORDER BY mirror, folder, name LIMIT 1",
    "SELECT * FROM agreements ORDER BY mirror DESC, folder DESC, name DESC LIMIT 1",
    "SELECT * FROM findings ORDER BY id DESC LIMIT 1",
    "SELECT * FROM findings ORDER BY mirror, path, verdict LIMIT 1",
    """SELECT id FROM findings INDEXED BY lasting_findings
        WHERE state <> 'closed' ORDER BY mirror, path LIMIT 1""",
    "SELECT * FROM finding_events ORDER BY id DESC LIMIT 1",
    "SELECT id FROM finding_events INDEXED BY events_by_finding ORDER BY finding LIMIT 1",
    "SELECT * FROM shifts ORDER BY id DESC LIMIT 1",
    "SELECT * FROM shift_readings ORDER BY shift, place LIMIT 1",
    "SELECT * FROM came_off ORDER BY shift, place LIMIT 1",
    "SELECT * FROM walks ORDER BY id DESC LIMIT 1",
    "SELECT id FROM walks INDEXED BY walks_by_place ORDER BY place, at LIMIT 1",
    "SELECT * FROM overrides ORDER BY id DESC LIMIT 1",
    "SELECT * FROM notices ORDER BY id DESC LIMIT 1",
    "SELECT * FROM rounds ORDER BY place DESC, number DESC LIMIT 1",
    "SELECT * FROM suspicions ORDER BY mirror, path LIMIT 1",
    """SELECT path FROM suspicions INDEXED BY waiting_suspicions
        WHERE confirmed_at IS NULL ORDER BY mirror, path LIMIT 1""",
    "SELECT * FROM neighbours ORDER BY place, path LIMIT 1",
    "SELECT * FROM chain ORDER BY number LIMIT 1",
    "SELECT * FROM chain ORDER BY number DESC LIMIT 1",
    "SELECT * FROM acceptances ORDER BY id DESC LIMIT 1",
    "SELECT id FROM acceptances INDEXED BY acceptances_by_finding ORDER BY finding LIMIT 1",
    "SELECT * FROM clearances ORDER BY id DESC LIMIT 1",
    """SELECT id FROM clearances INDEXED BY lasting_clearances
        WHERE state <> 'granted' ORDER BY share, folder LIMIT 1""",
    "SELECT * FROM clearance_changes ORDER BY clearance, place, folder, name LIMIT 1",
    "SELECT * FROM certificates ORDER BY id DESC LIMIT 1",
    "SELECT * FROM certified ORDER BY folder, name, certificate LIMIT 1",
    """SELECT certificate FROM certified INDEXED BY certified_by_certificate
        ORDER BY certificate LIMIT 1""",
    "SELECT * FROM nights ORDER BY shift, place LIMIT 1",
    "SELECT * FROM night_verdicts ORDER BY shift, mirror, verdict LIMIT 1",
    "SELECT * FROM messages ORDER BY id DESC LIMIT 1",
    """SELECT id FROM messages INDEXED BY lasting_messages
        WHERE about IS NOT NULL AND over_at IS NULL ORDER BY about LIMIT 1""",
    "SELECT * FROM deliveries ORDER BY message DESC, recipient DESC LIMIT 1",
    """SELECT message FROM deliveries INDEXED BY waiting_deliveries
        WHERE state = 'waiting' ORDER BY message LIMIT 1""",
    "SELECT * FROM told ORDER BY finding, recipients LIMIT 1",
    "SELECT * FROM spending ORDER BY place, month LIMIT 1",
    "SELECT * FROM departures ORDER BY place, folder LIMIT 1",
    "SELECT * FROM sqlite_sequence LIMIT 1",
)
"""The first and the last row by each way in: reads every root, and what leads to the ends."""

WRONG_TOTALS: Final = """
    SELECT shares.name, places.name FROM places JOIN shares ON shares.id = places.share
    LEFT JOIN (
        SELECT place, count(*) AS entries, sum(kind = 0) AS files,
            sum(counted) AS bytes,
            sum(kind = 0 AND read_at IS NULL) AS unread_files,
            sum((read_at IS NULL) * counted) AS unread_bytes,
            sum(kind = 0 AND wanted IS NOT NULL) AS wanted_files,
            sum((wanted IS NOT NULL) * counted) AS wanted_bytes
        FROM sightings GROUP BY place
    ) AS counted ON counted.place = places.id
    WHERE places.entries <> coalesce(counted.entries, 0)
        OR places.files <> coalesce(counted.files, 0)
        OR places.bytes <> coalesce(counted.bytes, 0)
        OR places.unread_files <> coalesce(counted.unread_files, 0)
        OR places.unread_bytes <> coalesce(counted.unread_bytes, 0)
        OR places.wanted_files <> coalesce(counted.wanted_files, 0)
        OR places.wanted_bytes <> coalesce(counted.wanted_bytes, 0)
"""

# ------------------------------------------------------------------------------------ the names

ADD_SHARE: Final = "INSERT OR IGNORE INTO shares (name) VALUES (?)"
SHARE: Final = "SELECT id FROM shares WHERE name = ?"

ADD_PLACE: Final = "INSERT OR IGNORE INTO places (share, name) VALUES (?, ?)"
PLACE: Final = "SELECT id FROM places WHERE share = ? AND name = ?"
PLACES: Final = """
    SELECT shares.name, places.name FROM places JOIN shares ON shares.id = places.share
    ORDER BY shares.name, places.name <> 'source', places.name
"""
PLACE_NAME: Final = """
    SELECT shares.name, places.name FROM places JOIN shares ON shares.id = places.share
    WHERE places.id = ?
"""
TOTALS: Final = """
    SELECT entries, files, bytes, unread_files, unread_bytes, wanted_files, wanted_bytes
    FROM places WHERE id = ?
"""

ADD_FOLDER: Final = "INSERT OR IGNORE INTO folders (share, path) VALUES (?, ?)"
FOLDER: Final = "SELECT id FROM folders WHERE share = ? AND path = ?"
FOLDER_PATH: Final = "SELECT path FROM folders WHERE id = ?"
FOLDERS: Final = """
    SELECT path, id FROM folders WHERE share = ? AND path > ? ORDER BY path LIMIT ?
"""

# ------------------------------------------------------------------------------------ sightings

_SIGHTING: Final = """
    name, kind, size, mtime_ns, ctime_ns, inode, device, links, first_seen, changed_seen,
    read_at, digest, fingerprints, target, trouble, walk_trouble, wanted
"""

SIGHTINGS_IN_FOLDER: Final = f"""
    SELECT {_SIGHTING} FROM sightings
    WHERE place = ? AND folder = ? AND name > ? ORDER BY name LIMIT ?
"""

SIGHTING: Final = f"""
    SELECT {_SIGHTING} FROM sightings WHERE place = ? AND folder = ? AND name = ?
"""

KNOWN_BEFORE_WALK: Final = """
    SELECT name, kind, size, mtime_ns, ctime_ns, inode, target, walk_trouble
    FROM sightings WHERE place = ? AND folder = ? AND name > ? ORDER BY name LIMIT ?
"""
AGREED_BETWEEN: Final = """
    SELECT name FROM agreements WHERE mirror = ? AND folder = ? AND name > ? AND name <= ?
"""
IS_AGREED: Final = "SELECT 1 FROM agreements WHERE mirror = ? AND folder = ? AND name = ?"

COUNT_KNOWN: Final = """
    SELECT count(*), coalesce(sum(EXISTS (
        SELECT 1 FROM agreements
        WHERE mirror IN (SELECT value FROM json_each(:mirrors))
            AND agreements.folder = sightings.folder AND agreements.name = sightings.name
    )), 0)
    FROM sightings WHERE place = :place
"""

STAGE: Final = (
    """
    CREATE TABLE IF NOT EXISTS temp.staged_folders (
        number INTEGER PRIMARY KEY,
        walk   INTEGER NOT NULL,
        path   BLOB NOT NULL,
        id     INTEGER,
        UNIQUE (walk, path)
    )
    """,
    """
    CREATE TABLE IF NOT EXISTS temp.staged (
        number       INTEGER PRIMARY KEY,
        walk         INTEGER NOT NULL,
        folder       INTEGER NOT NULL,
        name         BLOB NOT NULL,
        what         INTEGER NOT NULL,
        kind         INTEGER,
        size         INTEGER,
        mtime_ns     INTEGER,
        ctime_ns     INTEGER,
        inode        INTEGER,
        device       INTEGER,
        links        INTEGER,
        target       BLOB,
        walk_trouble TEXT
    )
    """,
    """
    CREATE TABLE IF NOT EXISTS temp.gone (
        mirror INTEGER NOT NULL,
        folder INTEGER NOT NULL,
        name   BLOB NOT NULL,
        PRIMARY KEY (mirror, folder, name)
    ) WITHOUT ROWID
    """,
)
CLEAR_STAGE: Final = (
    "DELETE FROM temp.staged WHERE walk = ?",
    "DELETE FROM temp.staged_folders WHERE walk = ?",
)
STAGE_FOLDER: Final = "INSERT OR IGNORE INTO temp.staged_folders (walk, path) VALUES (?, ?)"
STAGED_FOLDER: Final = "SELECT number FROM temp.staged_folders WHERE walk = ? AND path = ?"
STAGE_PATH: Final = """
    INSERT INTO temp.staged (walk, folder, name, what, kind, size, mtime_ns, ctime_ns, inode,
        device, links, target, walk_trouble)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
STAGE_PLAIN: Final = """
    INSERT INTO temp.staged (walk, folder, name, what, kind, size, mtime_ns, ctime_ns, inode,
        device, links)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
"""As `STAGE_PATH`, for what has neither a target nor trouble."""
STAGED_RANGE: Final = """
    SELECT coalesce(min(number), 1), coalesce(max(number), 0) FROM temp.staged WHERE walk = ?
"""

COUNT_LACKING: Final = """
    SELECT count(*)
    FROM temp.staged AS gone
    CROSS JOIN temp.staged_folders AS in_folder ON in_folder.number = gone.folder
    CROSS JOIN folders ON folders.share = :share AND folders.path = in_folder.path
    CROSS JOIN sightings AS here ON here.place = :place AND here.folder = folders.id
        AND here.name = gone.name
    CROSS JOIN sightings AS there ON there.place = :source AND there.folder = folders.id
        AND there.name = gone.name
    WHERE gone.walk = :walk AND gone.what = :vanished
        AND (here.size, here.mtime_ns) NOT IN (
            SELECT size, mtime_ns FROM temp.staged WHERE walk = :walk AND what = :new
        )
"""
"""What vanished from a mirror, also under another name, and stands on its source."""

APPLY_FOLDERS: Final = (
    """
    INSERT OR IGNORE INTO folders (share, path)
        SELECT :share, path FROM temp.staged_folders WHERE walk = :walk ORDER BY path
    """,
    """
    UPDATE temp.staged_folders SET id =
        (SELECT id FROM folders WHERE share = :share AND folders.path = staged_folders.path)
        WHERE walk = :walk
    """,
)

_WHERE_KNOWN: Final = """
    ON CONFLICT (place, folder, name) DO UPDATE SET
        kind = excluded.kind, size = excluded.size, mtime_ns = excluded.mtime_ns,
        ctime_ns = excluded.ctime_ns, inode = excluded.inode, device = excluded.device,
        links = excluded.links, target = excluded.target, changed_seen = excluded.first_seen,
        walk_trouble = excluded.walk_trouble, read_at = NULL, digest = NULL,
        fingerprints = NULL, trouble = NULL, wanted = NULL
"""
"""A changed path loses all that belonged to what it was before."""

_STAGED_AND_SEEN: Final = """
    FROM temp.staged CROSS JOIN temp.staged_folders AS in_folder
        ON in_folder.number = staged.folder
    WHERE staged.number > :after AND staged.number <= :to AND staged.walk = :walk
        AND staged.what IN (:new, :changed)
"""
_STAGED_AND_NEW: Final = f"""
    {_STAGED_AND_SEEN}
        AND NOT EXISTS (
            SELECT 1 FROM sightings WHERE sightings.place = :place
                AND sightings.folder = in_folder.id AND sightings.name = staged.name
        )
"""
TOUCH_NEW: Final = f"""
    INSERT INTO touched (place, folder, name)
    SELECT :place, in_folder.id, staged.name {_STAGED_AND_NEW} ORDER BY staged.number
"""
COUNT_NEW: Final = f"""
    SELECT count(*), coalesce(sum(staged.kind = 0), 0),
        coalesce(sum(CASE staged.kind WHEN 0 THEN min(staged.size, 1125899906842624) END), 0)
    {_STAGED_AND_NEW}
"""
"""The entries that `APPLY_SEEN` is about to add, the files among them and their bytes."""
ADD_TO_COUNTS: Final = """
    UPDATE places SET entries = entries + :entries, files = files + :files,
        bytes = bytes + :bytes, unread_files = unread_files + :unread_files,
        unread_bytes = unread_bytes + :unread_bytes
    WHERE id = :place
"""
"""Whoever adds sightings adds them to the counts: of each change to one a trigger takes care."""
APPLY_SEEN: Final = f"""
    INSERT INTO sightings (place, folder, name, kind, size, mtime_ns, ctime_ns, inode, device,
        links, first_seen, target, walk_trouble)
    SELECT :place, in_folder.id, staged.name, staged.kind, staged.size, staged.mtime_ns,
        staged.ctime_ns, staged.inode, staged.device, staged.links, :at, staged.target,
        staged.walk_trouble
    {_STAGED_AND_SEEN}
    ORDER BY staged.number
    {_WHERE_KNOWN}
"""

SEE_ONE: Final = f"""
    INSERT INTO sightings (place, folder, name, kind, size, mtime_ns, ctime_ns, inode, device,
        links, first_seen, target)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
    {_WHERE_KNOWN}
"""
"""One path as a walk would record it, seen between two walks."""

APPLY_WALK_TROUBLE: Final = """
    UPDATE sightings SET walk_trouble = :walk_trouble
    WHERE place = :place AND folder = :folder AND name = :name
"""
APPLY_VANISHED: Final = """
    DELETE FROM sightings WHERE place = :place AND folder = :folder AND name = :name
"""
NOTE_DEPARTURE: Final = """
    INSERT OR REPLACE INTO departures (place, folder, name, at)
    SELECT :place, :folder, :name, :at
    WHERE EXISTS (
            SELECT 1 FROM sightings WHERE place = :place AND folder = :folder AND name = :name
        )
        AND NOT EXISTS (
            SELECT 1 FROM certified JOIN sightings USING (folder, name)
            WHERE folder = :folder AND name = :name AND place = :place
                AND certified.kind = sightings.kind AND certified.digest IS sightings.digest
                AND certified.target IS sightings.target
        )
"""
KEEP_LAST_HELD: Final = """
    INSERT OR REPLACE INTO last_held (folder, name, kind, size, mtime_ns, digest, target)
    SELECT folder, name, kind, size, mtime_ns, digest, target FROM sightings
    WHERE place = :place AND folder = :folder AND name = :name
        AND EXISTS (SELECT 1 FROM certified WHERE folder = :folder AND name = :name)
"""
LAST_HELD: Final = """
    SELECT kind, size, mtime_ns, digest, target FROM last_held WHERE folder = ? AND name = ?
"""
DEPARTURES_WITHIN: Final = """
    SELECT folders.path, departures.name, at
    FROM departures CROSS JOIN folders ON folders.id = departures.folder
    WHERE departures.place = :place AND at > :since
        AND folders.path >= :below AND folders.path < :beyond
    ORDER BY folders.path
"""
STAGED_OTHERWISE: Final = """
    SELECT staged.number, staged.what, in_folder.id, staged.name, staged.walk_trouble
    FROM temp.staged CROSS JOIN temp.staged_folders AS in_folder
        ON in_folder.number = staged.folder
    WHERE staged.number > :after AND staged.number <= :to AND staged.walk = :walk
        AND staged.what IN (:vanished, :troubled)
    ORDER BY staged.number
"""
NOTE_GONE: Final = "INSERT OR IGNORE INTO temp.gone VALUES (:mirror, :folder, :name)"
"""What a walk found gone, until the other side has been walked as well."""

DROP_AGREEMENTS_OF_NOTHING: Final = """
    DELETE FROM agreements
    WHERE mirror = :mirror
        AND (folder, name) IN (SELECT folder, name FROM temp.gone WHERE mirror = :mirror)
        AND NOT EXISTS (
            SELECT 1 FROM sightings
            WHERE place IN (:mirror, :source)
                AND sightings.folder = agreements.folder AND sightings.name = agreements.name
        )
"""
FORGET_GONE: Final = "DELETE FROM temp.gone WHERE mirror = ?"

ADD_WALK: Final = """
    INSERT INTO walks (place, shift, at, known, seen, new, changed, vanished, hidden, files,
        bytes, agreed, agreed_changed, agreed_vanished)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
WALKS: Final = """
    SELECT id, shift, at, known, seen, new, changed, vanished, hidden, files, bytes, agreed,
        agreed_changed, agreed_vanished
    FROM walks WHERE place = ? AND id > ? ORDER BY id LIMIT ?
"""
NEVER_SEEN: Final = "SELECT max(seen) = 0 AND max(known) = 0 FROM walks WHERE place = ?"
LAST_WALK: Final = """
    SELECT id, shift, at, known, seen, new, changed, vanished, hidden, files, bytes, agreed,
        agreed_changed, agreed_vanished
    FROM walks WHERE place = ? ORDER BY id DESC LIMIT 1
"""

# ----------------------------------------------------------------------------------- first looks

MARK_UNJUDGED: Final = "UPDATE places SET unjudged = 1 WHERE id = ?"
MARK_GONE_THROUGH: Final = "UPDATE places SET unjudged = 0 WHERE id = ?"
PASS_MARK_ON: Final = """
    UPDATE places SET unjudged = id <> :source
    WHERE share = :share AND EXISTS (SELECT 1 FROM places WHERE id = :source AND unjudged <> 0)
"""
"""A source that is to be gone through is so with each of its mirrors."""
UNJUDGED: Final = "SELECT id FROM places WHERE share = ? AND unjudged <> 0"
SEE_FIRST_AND_READ: Final = """
    INSERT INTO sightings (place, first_seen, device, links, folder, read_at, kind, name, size,
        mtime_ns, ctime_ns, inode, digest)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, 0, ?, ?, ?, ?, ?, ?)
"""
"""A file of one segment that was read at once; the first six are those of many."""
SEE_FIRST: Final = """
    INSERT INTO sightings (place, first_seen, folder, name, size, mtime_ns, ctime_ns, inode,
        device, links, kind, target, walk_trouble)
    VALUES (?1, ?2, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""

# ------------------------------------------------------------------------------------- readings

RECORD: Final = """
    UPDATE sightings SET
        read_at = ?, digest = ?, fingerprints = ?, trouble = ?, walk_trouble = NULL, device = ?,
        links = ?, wanted = CASE WHEN ? THEN NULL ELSE wanted END
    WHERE place = ? AND folder = ? AND name = ? AND kind = 0 AND size = ? AND mtime_ns = ?
        AND ctime_ns = ? AND inode = ?
"""
RECORD_PLAIN: Final = """
    UPDATE sightings SET
        read_at = ?, digest = ?, fingerprints = NULL, trouble = NULL, walk_trouble = NULL,
        device = ?, links = ?, wanted = CASE WHEN ? THEN NULL ELSE wanted END
    WHERE place = ? AND folder = ? AND name = ? AND kind = 0 AND size = ? AND mtime_ns = ?
        AND ctime_ns = ? AND inode = ?
"""
"""As `RECORD`, for a file of one segment that was read without trouble: nearly every one.

Handing over nothing takes Python's sqlite3 a third of a microsecond for each column."""

RECORD_AGAIN: Final = """
    UPDATE sightings SET read_at = ?1
    WHERE place = ?6 AND folder = ?7 AND name = ?8 AND kind = 0 AND size = ?9 AND mtime_ns = ?10
        AND ctime_ns = ?11 AND inode = ?12 AND digest = ?2 AND device = ?3 AND links = ?4
        AND read_at IS NOT NULL AND fingerprints IS NULL AND trouble IS NULL
        AND walk_trouble IS NULL AND wanted IS NULL
"""
"""As `RECORD_PLAIN`, and with its values, where nothing but the time is another than before: so it
is of nearly all that an audit reads.  No trigger has anything to do, and none is called."""

RECORD_WHATEVER_THE_DATES: Final = """
    UPDATE sightings SET
        read_at = ?, digest = NULL, fingerprints = NULL, trouble = ?,
        wanted = CASE WHEN ? THEN NULL ELSE wanted END
    WHERE place = ? AND folder = ? AND name = ? AND kind = 0
"""
COUNT_READINGS: Final = """
    INSERT INTO shift_readings (shift, place, files, bytes, troubles) VALUES (?, ?, ?, ?, ?)
    ON CONFLICT (shift, place) DO UPDATE SET
        files = files + excluded.files, bytes = bytes + excluded.bytes,
        troubles = troubles + excluded.troubles
"""
WANT: Final = """
    UPDATE sightings SET wanted = ?
    WHERE place = ? AND folder = ? AND name = ? AND kind = 0
"""
UNWANT: Final = """
    UPDATE sightings SET wanted = NULL
    WHERE place = ? AND folder = ? AND name = ? AND wanted IS NOT NULL
"""

# ------------------------------------------------------------------------------ what to read next

STANDING_IN_FOLDER: Final = """
    SELECT name, size, read_at, wanted FROM sightings
    WHERE place = ? AND folder = ? AND kind = 0 AND name > ? ORDER BY name LIMIT ?
"""
FOLDERS_WITH_UNREAD: Final = """
    SELECT path, id FROM folders
    WHERE share = :share AND path > :after AND EXISTS (
        SELECT 1 FROM sightings INDEXED BY unread_sightings
        WHERE place = :place AND folder = folders.id AND kind = 0 AND read_at IS NULL
    )
    ORDER BY path LIMIT :most
"""
FEW_FOLDERS_WITH_UNREAD: Final = """
    SELECT path, id FROM folders
    WHERE id IN (
        SELECT DISTINCT folder FROM sightings INDEXED BY unread_sightings
        WHERE place = :place AND kind = 0 AND read_at IS NULL
    )
    AND path > :after ORDER BY path
"""
UNREAD_IN_FOLDER: Final = """
    SELECT name, size, NULL, NULL FROM sightings INDEXED BY unread_sightings
    WHERE place = ? AND folder = ? AND kind = 0 AND read_at IS NULL AND name > ?
    ORDER BY name LIMIT ?
"""
FOLDERS_WITH_WANTED: Final = """
    SELECT path, id FROM folders
    WHERE share = :share AND path > :after AND EXISTS (
        SELECT 1 FROM sightings INDEXED BY wanted_sightings
        WHERE place = :place AND folder = folders.id AND kind = 0 AND wanted IS NOT NULL
    )
    ORDER BY path LIMIT :most
"""
FEW_FOLDERS_WITH_WANTED: Final = """
    SELECT path, id FROM folders
    WHERE id IN (
        SELECT DISTINCT folder FROM sightings INDEXED BY wanted_sightings
        WHERE place = :place AND kind = 0 AND wanted IS NOT NULL
    )
    AND path > :after ORDER BY path
"""
WANTED_IN_FOLDER: Final = """
    SELECT name, size, read_at, wanted FROM sightings INDEXED BY wanted_sightings
    WHERE place = ? AND folder = ? AND kind = 0 AND wanted IS NOT NULL AND name > ?
    ORDER BY name LIMIT ?
"""
LONGEST_UNREAD: Final = """
    SELECT read_at, folder, name, size FROM sightings INDEXED BY read_sightings
    WHERE place = :place AND read_at IS NOT NULL AND read_at < :before
        AND (read_at, folder, name) > (:read_at, :folder, :name)
    ORDER BY read_at, folder, name LIMIT :most
"""
OLDEST_READ: Final = """
    SELECT read_at FROM sightings INDEXED BY read_sightings
    WHERE place = ? AND read_at IS NOT NULL ORDER BY read_at LIMIT 1
"""
READ_BETWEEN: Final = """
    SELECT count(*), coalesce(sum(min(size, 1125899906842624)), 0)
    FROM sightings INDEXED BY read_sightings
    WHERE place = ? AND read_at IS NOT NULL AND read_at >= ? AND read_at < ?
"""
DATE_BACK: Final = """
    UPDATE sightings SET read_at = CASE
        WHEN coalesce(changed_seen, first_seen) <= :now THEN coalesce(changed_seen, first_seen)
        ELSE 0 END
    WHERE place = :place AND read_at IS NOT NULL AND read_at > :later
"""
SEEN_BACK: Final = """
    UPDATE sightings SET first_seen = min(first_seen, :now), changed_seen = min(changed_seen, :now)
    WHERE place = :place AND (first_seen > :later OR changed_seen > :later)
"""
FIRST_WALKED: Final = "SELECT at FROM walks WHERE place = ? ORDER BY at LIMIT 1"
LARGER_THAN: Final = """
    SELECT count(*), coalesce(max(size), 0) FROM sightings WHERE place = ? AND kind = 0 AND size > ?
"""

UNREAD_FOR_LONG: Final = """
    SELECT EXISTS (
        SELECT 1 FROM sightings AS unread INDEXED BY unread_sightings
        CROSS JOIN sightings AS whole ON whole.place = unread.place
            AND whole.folder = unread.folder AND whole.name = unread.name
        WHERE unread.place = ? AND unread.kind = 0 AND unread.read_at IS NULL
            AND coalesce(whole.changed_seen, whole.first_seen) < ?
    )
"""

# ------------------------------------------------------------------- agreements, pairs to judge

_AGREEMENT: Final = """
    name, digest, size, source_mtime_ns, mirror_mtime_ns, kind, target, earlier
"""
AGREE: Final = """
    INSERT INTO agreements (mirror, folder, name, digest, size, source_mtime_ns,
        mirror_mtime_ns, kind, target, agreed_at)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
    ON CONFLICT (mirror, folder, name) DO UPDATE SET
        earlier = CASE WHEN digest IS excluded.digest THEN earlier
            ELSE earlier_digests(earlier, digest, excluded.digest) END,
        digest = excluded.digest, size = excluded.size,
        source_mtime_ns = excluded.source_mtime_ns, mirror_mtime_ns = excluded.mirror_mtime_ns,
        kind = excluded.kind, target = excluded.target, agreed_at = excluded.agreed_at
    WHERE (digest, size, source_mtime_ns, mirror_mtime_ns, kind, target) IS NOT
        (excluded.digest, excluded.size, excluded.source_mtime_ns, excluded.mirror_mtime_ns,
         excluded.kind, excluded.target)
"""
AGREEMENTS_IN_FOLDER: Final = f"""
    SELECT {_AGREEMENT} FROM agreements
    WHERE mirror = ? AND folder = ? AND name > ? ORDER BY name LIMIT ?
"""
AGREEMENT: Final = f"""
    SELECT {_AGREEMENT} FROM agreements WHERE mirror = ? AND folder = ? AND name = ?
"""
LAST_TOUCHED: Final = "SELECT max(number) FROM touched"
FIRST_TOUCHED: Final = "SELECT min(number) FROM touched"
TOUCH: Final = "INSERT INTO touched (place, folder, name) VALUES (?, ?, ?)"
TOUCHED: Final = """
    SELECT touched.number, folders.path, touched.name
    FROM touched CROSS JOIN folders ON folders.id = touched.folder
    WHERE touched.number > :after AND touched.number <= :to
        AND touched.place IN (:source, :mirror)
    ORDER BY touched.number LIMIT :most
"""
_TOUCHED_FOLDER: Final = "(SELECT path FROM folders WHERE id = touched.folder)"
"""Looked up where it is asked for: of most that was touched nobody needs it."""
_NOTHING_ON_IT: Final = f"""
    NOT EXISTS (
        SELECT 1 FROM findings WHERE mirror = :mirror AND state <> 'closed'
            AND path = CAST({_TOUCHED_FOLDER} || touched.name AS BLOB)
    )
    AND NOT EXISTS (
        SELECT 1 FROM suspicions
        WHERE mirror = :mirror AND path = CAST({_TOUCHED_FOLDER} || touched.name AS BLOB)
    )
"""
_BOTH_FILES: Final = """
    here.kind = 0 AND there.kind = 0
    AND here.trouble IS NULL AND there.trouble IS NULL
    AND here.walk_trouble IS NULL AND there.walk_trouble IS NULL
"""
_AGREE_ON_FILES: Final = """
    INSERT OR IGNORE INTO agreements (mirror, folder, name, digest, size, source_mtime_ns,
        mirror_mtime_ns, kind, target, agreed_at)
    SELECT :mirror, here.folder, here.name, here.digest, here.size, here.mtime_ns,
        nullif(there.mtime_ns, here.mtime_ns), 0, NULL, :at
"""
_AGREED_AS_THEY_STAND: Final = """
    agreements.kind = 0 AND here.digest = there.digest
    AND agreements.digest = here.digest AND agreements.size = here.size
    AND agreements.source_mtime_ns = here.mtime_ns
    AND coalesce(agreements.mirror_mtime_ns, agreements.source_mtime_ns) = there.mtime_ns
"""
AGREE_PLAINLY: Final = f"""
    {_AGREE_ON_FILES}
    FROM touched
    CROSS JOIN sightings AS here ON here.place = :source AND here.folder = touched.folder
        AND here.name = touched.name
    CROSS JOIN sightings AS there ON there.place = :mirror AND there.folder = touched.folder
        AND there.name = touched.name
    WHERE touched.number > :after AND touched.number <= :to
        AND touched.place IN (:source, :mirror)
        AND {_BOTH_FILES} AND here.digest = there.digest AND (:clear OR {_NOTHING_ON_IT})
"""
"""Both sides hold the same, nothing was agreed before, and nothing is said of the path."""

TOUCHED_NOT_PLAINLY: Final = f"""
    SELECT touched.number, {_TOUCHED_FOLDER}, touched.name
    FROM touched
    WHERE touched.number > :after AND touched.number <= :to
        AND touched.place IN (:source, :mirror)
        AND NOT EXISTS (
            SELECT 1 FROM sightings AS here CROSS JOIN sightings AS there
                ON there.place = :mirror AND there.folder = touched.folder
                    AND there.name = touched.name
            LEFT JOIN agreements ON agreements.mirror = :mirror
                AND agreements.folder = touched.folder AND agreements.name = touched.name
            WHERE here.place = :source AND here.folder = touched.folder
                AND here.name = touched.name AND {_BOTH_FILES}
                AND CASE WHEN agreements.mirror IS NULL
                    THEN (here.digest IS NULL OR there.digest IS NULL)
                        AND CASE WHEN :dated THEN here.mtime_ns - there.mtime_ns <= :slack_ns
                            ELSE here.size = there.size END
                    ELSE {_AGREED_AS_THEY_STAND} END
                AND (:clear OR {_NOTHING_ON_IT})
        )
    ORDER BY touched.number LIMIT :most
"""
"""Left out are paths of which a judgement would change nothing: files on both sides that are
agreed as they stand, and those that are not read yet and whose source is not the newer one, or,
where dates cannot be compared, is as large."""

ANYTHING_SAID: Final = """
    SELECT EXISTS (SELECT 1 FROM findings WHERE mirror = :mirror AND state <> 'closed')
        OR EXISTS (SELECT 1 FROM suspicions WHERE mirror = :mirror)
"""
_FROM_KEY_TO_KEY: Final = """
    (standing.folder, standing.name) > (:folder, :name)
    AND (standing.folder, standing.name) <= (:to_folder, :to_name)
"""
KEY_FURTHER_ON: Final = """
    SELECT folder, name FROM sightings WHERE place = ? AND (folder, name) > (?, ?)
    ORDER BY folder, name LIMIT 1 OFFSET ?
"""
_AGREE_WHERE: Final = f"""
    {_AGREE_ON_FILES}
    FROM sightings AS here CROSS JOIN sightings AS there ON there.place = :mirror
        AND there.folder = here.folder AND there.name = here.name
    WHERE here.place = :source AND {_BOTH_FILES} AND here.digest = there.digest
        AND {{where}}
    ORDER BY here.folder, here.name
"""
AGREE_THROUGHOUT: Final = _AGREE_WHERE.format(where=_FROM_KEY_TO_KEY.replace("standing", "here"))
"""As `AGREE_PLAINLY`, of all that stands on both sides and not of what was touched."""
AGREE_IN_FOLDER: Final = _AGREE_WHERE.format(
    where="here.folder = :folder AND here.name BETWEEN :first AND :last"
)
"""The same, of a part of one folder."""
TOUCH_THROUGHOUT: Final = f"""
    INSERT INTO touched (place, folder, name)
    SELECT :place, standing.folder, standing.name FROM sightings AS standing
    WHERE standing.place = :place AND {_FROM_KEY_TO_KEY}
        AND NOT EXISTS (
            SELECT 1 FROM agreements
            CROSS JOIN sightings AS here ON here.place = :source
                AND here.folder = standing.folder AND here.name = standing.name
            CROSS JOIN sightings AS there ON there.place = :mirror
                AND there.folder = standing.folder AND there.name = standing.name
            WHERE agreements.mirror = :mirror AND agreements.folder = standing.folder
                AND agreements.name = standing.name AND {_AGREED_AS_THEY_STAND}
        )
"""
"""What is not agreed as it stands is to be judged."""
KEEP_LAST_NUMBER: Final = """
    UPDATE touched SET place = 0, folder = 0, name = x''
    WHERE number = (SELECT max(number) FROM touched) AND number <= :until
        AND place IN (SELECT id FROM places WHERE share = :share)
"""
"""Where the last of all that was touched is about to be forgotten, its number is not: SQLite gives
a new row the number after the last, and what was judged up to a number must not come after it."""
FORGET_TOUCHED: Final = """
    DELETE FROM touched
    WHERE number <= :until AND number < (SELECT max(number) FROM touched)
        AND (place = 0 OR place IN (SELECT id FROM places WHERE share = :share))
"""

# ------------------------------------------------------------------------------------- findings

_FINDING: Final = """
    SELECT findings.id, shares.name, places.name, findings.path, verdict, cause, side, size,
        detail, advice, other_path, damage, state, first_seen, last_seen, closed_at, closed_by,
        accepted_by, accepted_at, accepted_for, accepted_state
    FROM findings CROSS JOIN places ON places.id = findings.mirror
    CROSS JOIN shares ON shares.id = places.share
"""
FINDING: Final = f"{_FINDING} WHERE findings.id = ?"
LASTING_FINDING: Final = f"""
    {_FINDING} WHERE findings.mirror = ? AND findings.path = ? AND state <> 'closed'
"""
FINDING_OF_VERDICT: Final = f"""
    {_FINDING} WHERE findings.mirror = ? AND findings.path = ? AND verdict = ?
"""
LASTING_FINDINGS: Final = f"""
    {_FINDING} WHERE findings.mirror = :mirror AND state <> 'closed' AND findings.path > :after
    ORDER BY findings.path LIMIT :most
"""
FINDINGS_OF_MIRROR: Final = f"""
    {_FINDING} WHERE findings.mirror = :mirror AND (findings.path, verdict) > (:after, :verdict)
    ORDER BY findings.path, verdict LIMIT :most
"""
STANDING: Final = "SELECT standing FROM findings WHERE id = ?"
ALL_FINDINGS: Final = f"{_FINDING} WHERE findings.id > :after ORDER BY findings.id LIMIT :most"
GLANCE: Final = """
    SELECT id, verdict, path FROM findings INDEXED BY lasting_findings
    WHERE state <> 'closed' ORDER BY id LIMIT ?
"""
COUNT_FINDINGS: Final = "SELECT state, count(*) FROM findings GROUP BY state"
ADD_FINDING: Final = """
    INSERT INTO findings (mirror, path, verdict, cause, side, size, detail, advice, other_path,
        damage, standing, state, first_seen, last_seen)
    VALUES (:mirror, :path, :verdict, :cause, :side, :size, :detail, :advice, :other_path,
        :damage, :standing, 'open', :at, :at)
"""
UPDATE_FINDING: Final = """
    UPDATE findings SET cause = :cause, side = :side, size = :size, detail = :detail,
        advice = :advice, other_path = :other_path, damage = :damage, standing = :standing,
        state = :state, last_seen = :at, closed_at = NULL, closed_by = NULL
    WHERE id = :id
"""
CLOSE_FINDING: Final = """
    UPDATE findings SET state = 'closed', closed_at = ?, closed_by = ? WHERE id = ?
"""
ACCEPT_FINDING: Final = """
    UPDATE findings SET state = 'accepted', accepted_by = ?, accepted_at = ?, accepted_for = ?,
        accepted_state = standing
    WHERE id = ?
"""
LEARN_ACCEPTED_STATE: Final = "UPDATE findings SET accepted_state = ? WHERE id = ?"
ADD_ACCEPTANCE: Final = """
    INSERT INTO acceptances (finding, at, who, because, standing)
    SELECT id, accepted_at, accepted_by, accepted_for, accepted_state FROM findings WHERE id = ?
"""
UNREADABLE_ON_SOURCE: Final = """
    SELECT count(DISTINCT path) FROM findings
    WHERE mirror IN (SELECT id FROM places WHERE share = (SELECT share FROM places WHERE id = ?))
        AND state IN ('open', 'accepted') AND verdict = 'unreadable' AND side IS NOT 'mirror'
"""
UNREADABLE_ON_MIRROR: Final = """
    SELECT count(*) FROM findings
    WHERE mirror = ? AND state IN ('open', 'accepted') AND verdict = 'unreadable'
        AND side IS NOT 'source'
"""
ADD_EVENT: Final = "INSERT INTO finding_events (finding, at, what, detail) VALUES (?, ?, ?, ?)"
EVENTS: Final = "SELECT at, what, detail FROM finding_events WHERE finding = ? ORDER BY id"

# --------------------------------------------------------------- shifts, overrides and notices

ADD_SHIFT: Final = "INSERT INTO shifts (started) VALUES (?)"
END_SHIFT: Final = """
    UPDATE shifts SET ended = ?, stopped_by = ? WHERE id = ? AND ended IS NULL
"""
SHIFTS: Final = """
    SELECT id, started, ended, stopped_by FROM shifts WHERE id > ? ORDER BY id LIMIT ?
"""
LATEST_SHIFTS: Final = """
    SELECT id, started, ended, stopped_by FROM shifts ORDER BY id DESC LIMIT ?
"""
LAST_SHIFT: Final = """
    SELECT id, started, ended, stopped_by FROM shifts ORDER BY id DESC LIMIT 1
"""
FARTHEST_BEYOND: Final = """
    SELECT max(at) FROM (
        SELECT started AS at FROM shifts
        WHERE id = (SELECT max(id) FROM shifts WHERE started <= :now) + 1
        UNION ALL
        SELECT ended FROM shifts WHERE started <= :now AND ended > :now
        UNION ALL
        SELECT started FROM shifts AS beyond WHERE started > :now
            AND (SELECT count(*) FROM shifts WHERE id > beyond.id AND started <= :now) >= :enough
    )
"""
SHIFT: Final = "SELECT id, started, ended, stopped_by FROM shifts WHERE id = ?"
SHIFT_READINGS: Final = """
    SELECT place, files, bytes, troubles FROM shift_readings WHERE shift = ? ORDER BY place
"""
SPENT: Final = """
    INSERT INTO shift_readings (shift, place, files, bytes, troubles, seconds)
    SELECT id, ?, 0, 0, 0, ? FROM shifts WHERE id = ? AND ended IS NULL
    ON CONFLICT (shift, place) DO UPDATE SET seconds = coalesce(seconds, 0.0) + excluded.seconds
"""
CAME_OFF: Final = """
    INSERT INTO came_off (shift, place, bytes)
    SELECT id, ?, ? FROM shifts WHERE id = ? AND ended IS NULL
    ON CONFLICT (shift, place) DO UPDATE SET bytes = bytes + excluded.bytes
"""
SPENT_LATELY: Final = """
    SELECT started, ended, CASE WHEN came_off.bytes > 0 THEN came_off.bytes
        ELSE shift_readings.bytes END AS amount, seconds
    FROM shift_readings CROSS JOIN shifts ON shifts.id = shift_readings.shift
    LEFT JOIN came_off ON came_off.shift = shift_readings.shift
        AND came_off.place = shift_readings.place
    WHERE shift_readings.place = ? AND amount > 0 ORDER BY shift_readings.shift DESC LIMIT ?
"""
ADD_OVERRIDE: Final = "INSERT INTO overrides (at, who, command, why) VALUES (?, ?, ?, ?)"
OVERRIDES: Final = """
    SELECT id, at, who, command, why FROM overrides WHERE id > ? ORDER BY id LIMIT ?
"""
ADD_NOTICE: Final = """
    INSERT INTO notices (place, at, what, detail, shift) VALUES (?, ?, ?, ?, ?)
"""
NOTICES: Final = """
    SELECT id, place, at, what, detail, shift FROM notices WHERE id > ? ORDER BY id LIMIT ?
"""
# Of each place the last surge and the last trouble, until a later shift has walked it.
STANDING_NOTICES: Final = """
    SELECT max(id), place, at, what, detail, shift FROM notices
    WHERE shift > coalesce(
        (SELECT max(walks.shift) FROM walks
         WHERE walks.place = notices.place AND walks.shift <> notices.shift), 0)
    GROUP BY place, what = 'surge' ORDER BY max(id)
"""

# ---------------------------------------------------------------------- rounds and suspicions

LAST_ROUND: Final = """
    SELECT number, started, ended FROM rounds WHERE place = ? ORDER BY number DESC LIMIT 1
"""
ROUNDS: Final = """
    SELECT number, started, ended FROM rounds WHERE place = ? AND number > ?
    ORDER BY number LIMIT ?
"""
ADD_ROUND: Final = "INSERT INTO rounds (place, number, started) VALUES (?, ?, ?)"
END_ROUND: Final = "UPDATE rounds SET ended = ? WHERE place = ? AND number = ? AND ended IS NULL"
LATEST_READ: Final = """
    SELECT read_at FROM sightings INDEXED BY read_sightings
    WHERE place = ? AND read_at IS NOT NULL ORDER BY read_at DESC LIMIT 1
"""

SUSPICION: Final = """
    SELECT since, source, source_since, mirror_digest, mirror_since, confirmed_at
    FROM suspicions WHERE mirror = ? AND path = ?
"""
SUSPECT: Final = """
    INSERT OR REPLACE INTO suspicions (mirror, path, since, source, source_since, mirror_digest,
        mirror_since, confirmed_at)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""
ACQUIT: Final = "DELETE FROM suspicions WHERE mirror = ? AND path = ?"
WAITING_SUSPICIONS: Final = """
    SELECT path FROM suspicions INDEXED BY waiting_suspicions
    WHERE mirror = ? AND path > ? AND confirmed_at IS NULL ORDER BY path LIMIT ?
"""
SUSPICIONS: Final = """
    SELECT path FROM suspicions WHERE mirror = ? AND path > ? ORDER BY path LIMIT ?
"""

# ----------------------------------------------------------------------------------- neighbours

_FILES_IN_FOLDER: Final = """
    SELECT name, size FROM sightings
    WHERE place = ? AND folder = ? AND kind = 0 AND wanted IS NULL
"""
FILES_BEFORE: Final = f"{_FILES_IN_FOLDER} AND name < ? ORDER BY name DESC LIMIT ?"
FILES_BEHIND: Final = f"{_FILES_IN_FOLDER} AND name > ? ORDER BY name LIMIT ?"
WRITTEN_ABOUT: Final = """
    SELECT folders.path, name, size
    FROM sightings CROSS JOIN folders ON folders.id = sightings.folder
    WHERE place = ? AND kind = 0 AND wanted IS NULL AND mtime_ns BETWEEN ? AND ? LIMIT ?
"""
ADD_NEIGHBOUR: Final = """
    INSERT OR REPLACE INTO neighbours (place, path, around, at) VALUES (?, ?, ?, ?)
"""
NEIGHBOUR: Final = "SELECT around FROM neighbours WHERE place = ? AND path = ?"
NEIGHBOURS: Final = "SELECT path FROM neighbours WHERE place = ? ORDER BY path"
FORGET_NEIGHBOUR: Final = "DELETE FROM neighbours WHERE place = ? AND path = ?"
FORGET_NEIGHBOURS: Final = "DELETE FROM neighbours WHERE at < ?"

# ------------------------------------------------------------------------------------- messages

ADD_MESSAGE: Final = """
    INSERT INTO messages (at, kind, about, recipients, subject, body) VALUES (?, ?, ?, ?, ?, ?)
"""
ADD_DELIVERY: Final = """
    INSERT OR REPLACE INTO deliveries (message, recipient, label, state) VALUES (?, ?, ?, 'waiting')
"""
DELIVERED: Final = """
    UPDATE deliveries SET state = 'delivered', tries = tries + 1, tried_at = ?, said = NULL
    WHERE message = ? AND recipient = ?
"""
NOT_DELIVERED: Final = """
    UPDATE deliveries SET tries = tries + 1, tried_at = ?, said = ?
    WHERE message = ? AND recipient = ? AND state = 'waiting'
"""
GIVE_UP_MESSAGE: Final = """
    UPDATE deliveries SET state = 'given up' WHERE state = 'waiting' AND message = ?
"""
GIVE_UP_BEFORE: Final = """
    UPDATE deliveries SET state = 'given up' WHERE state = 'waiting'
        AND message IN (SELECT id FROM messages WHERE at < ?)
"""
_DELIVERY: Final = """
    SELECT messages.id, messages.at, kind, subject, body, recipient, label, state, tries, tried_at,
        said
    FROM deliveries CROSS JOIN messages ON messages.id = deliveries.message
"""
WAITING_DELIVERIES: Final = f"{_DELIVERY} WHERE state = 'waiting' ORDER BY messages.id, label"
# What was given up is over once a later message reached the same address.
UNDELIVERED: Final = f"""
    {_DELIVERY} WHERE state = 'waiting' OR (
        state = 'given up' AND messages.at >= ? AND NOT EXISTS (
            SELECT 1 FROM deliveries AS later
            WHERE later.message > deliveries.message AND later.recipient = deliveries.recipient
                AND later.state = 'delivered'
        )
    )
    ORDER BY messages.id DESC, label
"""
LATEST_MESSAGE: Final = """
    SELECT max(at) FROM messages WHERE kind = ? AND recipients = ?
"""
LASTING_MESSAGE: Final = """
    SELECT EXISTS (
        SELECT 1 FROM messages WHERE about = ? AND over_at IS NULL AND recipients = ? AND at >= ?
            AND EXISTS (
                SELECT 1 FROM deliveries WHERE message = messages.id AND state <> 'given up'
            )
    )
"""
LASTING_ABOUTS: Final = """
    SELECT DISTINCT about FROM messages WHERE about IS NOT NULL AND over_at IS NULL
"""
OVER: Final = "UPDATE messages SET over_at = ? WHERE about = ? AND over_at IS NULL"
FORGET_BODIES: Final = """
    UPDATE messages SET body = '' WHERE at < ? AND body <> ''
        AND NOT EXISTS (SELECT 1 FROM deliveries WHERE message = messages.id AND state = 'waiting')
"""

# What was told and reached nobody counts as untold, and so does what was told at once since
# ``:since``: the message after the shift sums that up.
_UNTOLD: Final = """
    FROM findings INDEXED BY lasting_findings WHERE state <> 'closed' AND state = 'open'
        AND findings.id > :after AND NOT EXISTS (
            SELECT 1 FROM told CROSS JOIN messages ON messages.id = told.message
            WHERE finding = findings.id AND told.recipients = :recipients
                AND turned = (
                    SELECT max(id) FROM finding_events
                    WHERE finding = findings.id AND what IN ('opened', 'reopened')
                )
                AND NOT (kind = 'at once' AND at >= :since)
                AND EXISTS (
                    SELECT 1 FROM deliveries
                    WHERE deliveries.message = told.message AND deliveries.state <> 'given up'
                )
        )
"""
_ON_THE_SOURCE: Final = "AND verdict = 'corrupt' AND side IN ('source', 'both')"
UNTOLD: Final = f"SELECT id {_UNTOLD} ORDER BY id LIMIT :most"
UNTOLD_ON_THE_SOURCE: Final = f"SELECT id {_UNTOLD} {_ON_THE_SOURCE} ORDER BY id LIMIT :most"
TELL: Final = """
    INSERT OR REPLACE INTO told (finding, recipients, turned, message)
    SELECT ?, ?, max(id), ? FROM finding_events
    WHERE finding = ? AND what IN ('opened', 'reopened') HAVING max(id) IS NOT NULL
"""
TURNS: Final = """
    SELECT what, count(*) FROM finding_events WHERE at >= ? GROUP BY what
"""

# ------------------------------------------------------------------------------------- spending

SPEND: Final = """
    INSERT INTO spending (place, month, bytes) VALUES (?, ?, ?)
    ON CONFLICT (place, month) DO UPDATE SET bytes = bytes + excluded.bytes
"""
SPENT_IN_MONTH: Final = "SELECT bytes FROM spending WHERE place = ? AND month = ?"
SPENT_BY_MONTH: Final = """
    SELECT month, bytes FROM spending WHERE place = ? ORDER BY month DESC LIMIT ?
"""

# ------------------------------------------------------------------------------------ the chain

ADD_LINK: Final = """
    INSERT INTO chain (number, at, what, row, digest, link) VALUES (?, ?, ?, ?, ?, ?)
"""
LAST_LINK: Final = "SELECT number, link FROM chain ORDER BY number DESC LIMIT 1"
LINK: Final = "SELECT link FROM chain WHERE number = ?"
LINKS: Final = """
    SELECT number, at, what, row, digest, link FROM chain WHERE number > ? ORDER BY number LIMIT ?
"""
TAKEN_OVER: Final = "SELECT row FROM chain WHERE number = 1 AND what = 'taken over'"

SHIFT_STARTS: Final = "SELECT id, started FROM shifts WHERE id > ? ORDER BY id LIMIT ?"
SHIFT_ENDS: Final = """
    SELECT id, started, ended, stopped_by FROM shifts
    WHERE id > ? AND (ended IS NOT NULL OR stopped_by IS NOT NULL) ORDER BY id LIMIT ?
"""
READ_IN_SHIFT: Final = """
    SELECT shares.name, places.name, shift_readings.files, shift_readings.bytes, troubles, seconds
    FROM shift_readings LEFT JOIN places ON places.id = shift_readings.place
    LEFT JOIN shares ON shares.id = places.share
    WHERE shift = ? ORDER BY shift_readings.place
"""
FINDING_EVENTS: Final = """
    SELECT finding_events.id, finding, shares.name, places.name, path, verdict, at, what,
        finding_events.detail
    FROM finding_events LEFT JOIN findings ON findings.id = finding_events.finding
    LEFT JOIN places ON places.id = findings.mirror
    LEFT JOIN shares ON shares.id = places.share
    WHERE finding_events.id > ? ORDER BY finding_events.id LIMIT ?
"""
ACCEPTANCES: Final = """
    SELECT id, finding, at, who, because, standing FROM acceptances
    WHERE id > ? ORDER BY id LIMIT ?
"""
NOTICES_BY_NAME: Final = """
    SELECT notices.id, shares.name, places.name, at, what, detail
    FROM notices LEFT JOIN places ON places.id = notices.place
    LEFT JOIN shares ON shares.id = places.share
    WHERE notices.id > ? ORDER BY notices.id LIMIT ?
"""
NOTICES_IN_SHIFTS: Final = """
    SELECT id, shift FROM notices WHERE shift IS NOT NULL AND id > ? ORDER BY id LIMIT ?
"""
CERTIFICATES_BY_NAME: Final = """
    SELECT certificates.id, shares.name, folder, granted_at, granted_by, digest, manifest
    FROM certificates LEFT JOIN shares ON shares.id = certificates.share
    WHERE certificates.id > ? ORDER BY certificates.id LIMIT ?
"""
CERTIFICATES_WHOLE: Final = """
    SELECT id, clearance, files, bytes, file, digest_of(content) FROM certificates
    WHERE id > ? ORDER BY id LIMIT ?
"""
CERTIFIED_BY: Final = """
    SELECT certified.folder, certified.name, shares.name, folders.path, certified.name, kind, size,
        digest, target
    FROM certified INDEXED BY certified_by_certificate
    LEFT JOIN folders ON folders.id = certified.folder
    LEFT JOIN shares ON shares.id = folders.share
    WHERE certificate = ? AND (certified.folder, certified.name) > (?, ?)
    ORDER BY certified.folder, certified.name LIMIT ?
"""
CERTIFIED_BY_NOTHING: Final = """
    SELECT DISTINCT certificate FROM certified INDEXED BY certified_by_certificate
    WHERE NOT EXISTS (SELECT 1 FROM certificates WHERE certificates.id = certificate)
    ORDER BY certificate LIMIT ?
"""

_SAID: Final = """
    findings.verdict || coalesce(', ' || findings.cause, '')
        || coalesce(', ' || findings.side || ' side', '')
"""
UNLIKE_THEIR_HISTORY: Final = f"""
    SELECT findings.id FROM findings
    LEFT JOIN finding_events AS turned ON turned.id = (
        SELECT max(id) FROM finding_events WHERE finding = findings.id AND what <> 'changed'
    )
    LEFT JOIN finding_events AS told ON told.id = (
        SELECT max(id) FROM finding_events
        WHERE finding = findings.id AND what IN ('opened', 'changed', 'reopened')
    )
    WHERE findings.state IS NOT CASE turned.what
            WHEN 'closed' THEN 'closed' WHEN 'accepted' THEN 'accepted'
            WHEN 'opened' THEN 'open' WHEN 'reopened' THEN 'open' END
        OR (findings.closed_at, findings.closed_by) IS NOT
            (CASE turned.what WHEN 'closed' THEN turned.at END,
             CASE turned.what WHEN 'closed' THEN turned.detail END)
        OR findings.first_seen IS NOT (
            SELECT at FROM finding_events WHERE finding = findings.id ORDER BY id LIMIT 1
        )
        OR NOT coalesce(
            told.detail IN ({_SAID}, 'changed since it was accepted: ' || {_SAID}), FALSE
        )
        OR (accepted_at, accepted_by, accepted_for, accepted_state) IS NOT (
            SELECT at, who, because, standing FROM acceptances
            WHERE finding = findings.id ORDER BY id DESC LIMIT 1
        )
    ORDER BY findings.id LIMIT ?
"""
"""Findings that do not stand as their events and acceptances leave them."""

# --------------------------------------------------------------------- clearances, certificates

LASTING_CLEARANCE: Final = """
    SELECT id, requested_at, requested_by, marked, state FROM clearances
    WHERE share = ? AND folder = ? AND state <> 'granted'
"""
ADD_CLEARANCE: Final = """
    INSERT INTO clearances (share, folder, requested_at, requested_by, state)
    VALUES (?, ?, ?, ?, 'asked')
"""
ASK_ANEW: Final = """
    UPDATE clearances
    SET requested_at = ?, requested_by = ?, marked = 0, state = 'asked', ended_at = NULL
    WHERE id = ?
"""
CLEARANCE_MARKED: Final = "UPDATE clearances SET marked = 1 WHERE id = ?"
SET_CLEARANCE: Final = "UPDATE clearances SET state = ?, ended_at = ? WHERE id = ?"

FOLDERS_WITHIN: Final = """
    SELECT path, id FROM folders WHERE share = ? AND path < ? AND path >= ? AND path > ?
    ORDER BY path LIMIT ?
"""
_FOR_CLEARANCE: Final = f"""
    SELECT {_SIGHTING},
        (SELECT ctime_ns FROM clearance_changes AS changed
            WHERE changed.clearance = ? AND changed.place = sightings.place
                AND changed.folder = sightings.folder AND changed.name = sightings.name
                AND changed.proven)
    FROM sightings
"""
SIGHTINGS_FOR_CLEARANCE: Final = f"""
    {_FOR_CLEARANCE} WHERE place = ? AND folder = ? AND name > ? ORDER BY name LIMIT ?
"""
SIGHTING_FOR_CLEARANCE: Final = f"""
    {_FOR_CLEARANCE} WHERE place = ? AND folder = ? AND name = ?
"""
NOTE_CHANGE: Final = """
    INSERT OR REPLACE INTO clearance_changes (clearance, place, folder, name, ctime_ns)
    VALUES (?, ?, ?, ?, ?)
"""
PROVE_CHANGES: Final = """
    UPDATE clearance_changes SET proven = 1
    WHERE clearance = ? AND EXISTS (
        SELECT 1 FROM sightings
        WHERE sightings.place = clearance_changes.place
            AND sightings.folder = clearance_changes.folder
            AND sightings.name = clearance_changes.name
            AND sightings.ctime_ns = clearance_changes.ctime_ns
            AND sightings.read_at IS NOT NULL AND sightings.wanted IS NULL
    )
"""
FORGET_CHANGES: Final = "DELETE FROM clearance_changes WHERE clearance = ?"
PAST_DAMAGE: Final = """
    SELECT path, id, cause, side, state, standing FROM findings
    WHERE mirror = ? AND path < ? AND path >= ? AND verdict = 'corrupt' AND path > ?
    ORDER BY path LIMIT ?
"""

ADD_CERTIFICATE: Final = """
    INSERT INTO certificates (clearance, share, folder, granted_at, granted_by, files, bytes,
        digest, manifest, file, content)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
CERTIFY_FOLDER: Final = """
    INSERT INTO certified (folder, name, certificate, kind, size, digest, target)
    SELECT sightings.folder, sightings.name, :certificate, sightings.kind, sightings.size,
        sightings.digest, sightings.target
    FROM folders CROSS JOIN sightings
        ON sightings.place = :source AND sightings.folder = folders.id
    WHERE folders.share = :share AND folders.path >= :below AND folders.path < :beyond
"""
_CERTIFICATE: Final = """
    SELECT certificates.id, shares.name, folder, granted_at, granted_by, digest, manifest, file,
        files, bytes
    FROM certificates CROSS JOIN shares ON shares.id = certificates.share
"""
CERTIFICATE: Final = f"{_CERTIFICATE} WHERE certificates.id = ?"
CERTIFICATES_OF_SHARE: Final = f"""
    {_CERTIFICATE} WHERE certificates.share = ? ORDER BY certificates.id
"""
WANTED_WITHIN: Final = """
    SELECT count(*), coalesce(sum(counted), 0)
    FROM folders CROSS JOIN sightings INDEXED BY wanted_sightings
        ON sightings.place = :place AND sightings.folder = folders.id
    WHERE folders.share = :share AND folders.path >= :below AND folders.path < :beyond
        AND sightings.kind = 0 AND sightings.wanted IS NOT NULL
"""
CERTIFICATE_CONTENT: Final = "SELECT content FROM certificates WHERE id = ?"
COVERING: Final = """
    SELECT certificate, kind, size, digest, target FROM certified
    WHERE folder = ? AND name = ?
        AND EXISTS (SELECT 1 FROM certificates WHERE certificates.id = certificate)
    ORDER BY certificate DESC LIMIT 1
"""
HELD_BY_NONE: Final = """
    SELECT name FROM certified
    WHERE certified.folder = :folder AND certified.certificate = :certificate
        AND EXISTS (
            SELECT 1 FROM sightings JOIN json_each(:others) ON place = value
            WHERE sightings.folder = certified.folder AND sightings.name = certified.name
        )
        AND NOT EXISTS (
            SELECT 1 FROM sightings JOIN json_each(:named) ON place = value
            WHERE sightings.folder = certified.folder AND sightings.name = certified.name
        )
"""
IS_AS_CERTIFIED: Final = """
    SELECT 1 FROM certified JOIN sightings USING (folder, name)
    WHERE folder = ? AND name = ? AND place = ?
        AND certified.kind = sightings.kind AND certified.digest IS sightings.digest
        AND certified.target IS sightings.target
        AND EXISTS (SELECT 1 FROM certificates WHERE certificates.id = certificate)
"""

# --------------------------------------------------------------------------------------- nights

_HOW_A_PAIR_STANDS: Final = """
    CASE
        WHEN there.name IS NULL THEN CASE WHEN EXISTS (
            SELECT 1 FROM agreements WHERE agreements.mirror = :mirror
                AND agreements.folder = here.folder AND agreements.name = here.name
                AND agreements.digest IS here.digest AND agreements.target IS here.target
        ) THEN 'matched' ELSE 'pending' END
        WHEN here.kind <> there.kind THEN 'pending'
        WHEN here.kind = 1 THEN CASE WHEN here.target IS there.target
            THEN 'matched' ELSE 'pending' END
        WHEN here.kind = 2 OR here.digest = there.digest THEN 'matched'
        WHEN here.digest IS NULL OR there.digest IS NULL
            THEN CASE WHEN here.size = there.size THEN 'unread' ELSE 'pending' END
        ELSE 'pending'
    END
"""
"""What is said of a path on the source of which no finding says anything.

One that is agreed and yet not on the mirror under its name stands there under its Unicode twin.
"""

_QUIET_COUNTS: Final = """
    coalesce(sum(stands = 'matched'), 0), coalesce(sum(stands = 'pending'), 0),
    coalesce(sum(stands = 'unread'), 0)
"""
COUNT_PAIRS: Final = f"""
    SELECT {_QUIET_COUNTS} FROM (
        SELECT {_HOW_A_PAIR_STANDS} AS stands
        FROM sightings AS here LEFT JOIN sightings AS there
            ON there.place = :mirror AND there.folder = here.folder AND there.name = here.name
        WHERE here.place = :source
        LIMIT -1
    )
"""
"""The limit, which is none, keeps SQLite from asking anew for each sum how a pair stands."""
COUNT_PAIRS_FOUND: Final = f"""
    SELECT {_QUIET_COUNTS} FROM (
        SELECT {_HOW_A_PAIR_STANDS} AS stands
        FROM findings
        CROSS JOIN folders ON folders.share = :share AND folders.path = folder_of(findings.path)
        CROSS JOIN sightings AS here ON here.place = :source AND here.folder = folders.id
            AND here.name = name_of(findings.path)
        LEFT JOIN sightings AS there
            ON there.place = :mirror AND there.folder = here.folder AND there.name = here.name
        WHERE findings.mirror = :mirror AND findings.state <> 'closed'
    )
"""
"""The same paths as `COUNT_PAIRS`, of those only that a finding says something of."""

COUNT_HIDDEN_PAIRS: Final = f"""
    SELECT {_QUIET_COUNTS} FROM (
        SELECT {_HOW_A_PAIR_STANDS} AS stands
        FROM sightings AS here LEFT JOIN sightings AS there
            ON there.place = :mirror AND there.folder = here.folder AND there.name = here.name
        WHERE here.place = :source AND here.folder = :folder AND NOT EXISTS (
            SELECT 1 FROM findings WHERE findings.mirror = :mirror AND state <> 'closed'
                AND path = CAST(
                    (SELECT path FROM folders WHERE id = :folder) || here.name AS BLOB
                )
        )
        LIMIT -1
    )
"""
"""As `COUNT_PAIRS`, of one folder, without what a finding says something of."""

UNLISTED_FOLDERS: Final = """
    SELECT DISTINCT findings.path
    FROM places AS mirrors CROSS JOIN findings ON findings.mirror = mirrors.id
    CROSS JOIN folders ON folders.share = :share AND folders.path = folder_of(findings.path)
    CROSS JOIN sightings ON sightings.place = :place AND sightings.folder = folders.id
        AND sightings.name = name_of(findings.path)
    WHERE mirrors.share = :share AND findings.state <> 'closed'
        AND findings.verdict = 'unreadable'
        AND sightings.kind <> 0 AND sightings.walk_trouble IS NOT NULL
"""
"""Folders of a place that could not be listed.  There is no index of those: findings tell them."""

COUNT_IN_FOLDER: Final = "SELECT count(*) FROM sightings WHERE place = ? AND folder = ?"
HIDDEN_FILES: Final = """
    SELECT coalesce(sum(read_at IS NULL), 0), coalesce(sum((read_at IS NULL) * counted), 0),
        coalesce(sum(wanted IS NOT NULL), 0), coalesce(sum((wanted IS NOT NULL) * counted), 0),
        coalesce(sum(read_at IS NOT NULL), 0), coalesce(sum((read_at IS NOT NULL) * counted), 0),
        coalesce(sum(read_at < :since), 0), coalesce(sum((read_at < :since) * counted), 0)
    FROM sightings WHERE place = :place AND folder = :folder AND kind = 0
"""
COUNT_LASTING: Final = """
    SELECT verdict, count(*), sum(state = 'accepted') FROM findings
    WHERE mirror = ? AND state <> 'closed' GROUP BY verdict
"""
ADD_NIGHT: Final = """
    INSERT OR REPLACE INTO nights (shift, place, at, files, bytes, unread_files, unread_bytes, free)
    SELECT :shift, id, :at, files, bytes, unread_files, unread_bytes, :free
    FROM places WHERE id = :place
"""
ADD_NIGHT_VERDICT: Final = """
    INSERT OR REPLACE INTO night_verdicts (shift, mirror, verdict, paths, accepted)
    VALUES (?, ?, ?, ?, ?)
"""
NIGHTS_SINCE: Final = """
    SELECT shift, place, at, files, bytes, unread_files, unread_bytes, free
    FROM nights WHERE shift >= ? ORDER BY shift, place
"""
NIGHT_VERDICTS_SINCE: Final = """
    SELECT shift, mirror, verdict, paths, accepted FROM night_verdicts
    WHERE shift >= ? ORDER BY shift, mirror, verdict
"""
FIRST_SHIFT_SINCE: Final = "SELECT min(id) FROM shifts WHERE started >= ?"
READINGS_SINCE: Final = """
    SELECT shifts.id, started, ended, place, files, bytes, troubles, seconds
    FROM shifts CROSS JOIN shift_readings ON shift_readings.shift = shifts.id
    WHERE shifts.id >= ? ORDER BY shifts.id, place
"""
SHIFTS_FROM: Final = """
    SELECT id, started, ended, stopped_by FROM shifts WHERE id >= ? ORDER BY id
"""
HELD_SINCE: Final = """
    SELECT max(at), files, bytes FROM walks WHERE place = ? AND at >= ?
    GROUP BY at / 86400 ORDER BY at
"""
"""A place as its last walk of each day saw it: SQLite takes the row that the maximum is of."""

FIRST_SHIFT: Final = "SELECT min(started) FROM shifts"
EVENTS_OF: Final = """
    SELECT finding, at, what, detail FROM finding_events
    WHERE finding IN (SELECT value FROM json_each(?)) ORDER BY id
"""
COUNT_WAITING: Final = "SELECT count(*) FROM suspicions WHERE mirror = ? AND confirmed_at IS NULL"
