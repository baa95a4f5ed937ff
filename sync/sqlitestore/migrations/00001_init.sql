-- Instants are milliseconds since 1970, ids are text, hashes and keys are raw
-- bytes. A list of hashes is their bytes one after the other.

-- +goose Up
CREATE TABLE sites (
    id            TEXT    NOT NULL PRIMARY KEY,
    slug          TEXT    NOT NULL UNIQUE,
    name          TEXT    NOT NULL,
    zone          TEXT    NOT NULL,
    created_at    INTEGER NOT NULL,
    wake_at       INTEGER,                      -- when the rules are due; NULL = nothing to wait for
    revision      INTEGER NOT NULL DEFAULT 0,   -- grows with every batch: compare it when setting wake_at
    restore_until INTEGER                       -- end of the restore window; NULL = none
) STRICT;
CREATE INDEX sites_wake ON sites (wake_at);

CREATE TABLE people (
    id         TEXT    NOT NULL PRIMARY KEY,
    name       TEXT,                            -- NULL = erased
    created_at INTEGER NOT NULL
) STRICT;

CREATE TABLE grants (
    id        TEXT    NOT NULL PRIMARY KEY,
    site_id   TEXT    NOT NULL REFERENCES sites (id),
    person_id TEXT    NOT NULL REFERENCES people (id),
    role      TEXT    NOT NULL,
    gates     TEXT,                             -- JSON list of gate ids; NULL = all
    from_at   INTEGER NOT NULL,
    until_at  INTEGER                           -- NULL = open
) STRICT;
CREATE INDEX grants_site ON grants (site_id, person_id);
CREATE INDEX grants_person ON grants (person_id);

CREATE TABLE devices (
    id           TEXT    NOT NULL PRIMARY KEY,
    site_id      TEXT    NOT NULL REFERENCES sites (id),
    public_key   BLOB    NOT NULL,
    label        TEXT    NOT NULL,
    created_at   INTEGER NOT NULL,
    last_seen_at INTEGER,
    clock_offset INTEGER,                       -- server minus device, ms
    revoked_at   INTEGER,
    relay        INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX devices_site ON devices (site_id);

CREATE TABLE device_people (
    device_id TEXT    NOT NULL REFERENCES devices (id),
    person_id TEXT    NOT NULL REFERENCES people (id),
    added_at  INTEGER NOT NULL,
    PRIMARY KEY (device_id, person_id)
) STRICT;
CREATE INDEX device_people_person ON device_people (person_id);

CREATE TABLE invitations (
    code_hash  BLOB    NOT NULL PRIMARY KEY,
    site_id    TEXT    NOT NULL REFERENCES sites (id),
    role       TEXT    NOT NULL,
    person_id  TEXT REFERENCES people (id),     -- NULL = a new person
    name       TEXT,
    created_by TEXT    NOT NULL,
    created_at INTEGER NOT NULL,
    expires_at INTEGER NOT NULL,
    spent_at   INTEGER,
    spent_by   TEXT                             -- the device that spent it
) STRICT;
CREATE INDEX invitations_site ON invitations (site_id);

CREATE TABLE challenges (
    nonce_hash BLOB    NOT NULL PRIMARY KEY,
    device_id  TEXT    NOT NULL REFERENCES devices (id),
    expires_at INTEGER NOT NULL
) STRICT;
CREATE INDEX challenges_expiry ON challenges (expires_at);

CREATE TABLE tickets (
    hash       BLOB    NOT NULL PRIMARY KEY,
    site_id    TEXT    NOT NULL REFERENCES sites (id),
    device_id  TEXT    NOT NULL REFERENCES devices (id),
    expires_at INTEGER NOT NULL,
    reusable   INTEGER NOT NULL DEFAULT 0,
    sender_id  TEXT,                            -- the first to use a reusable ticket
    used_at    INTEGER
) STRICT;
CREATE INDEX tickets_expiry ON tickets (expires_at);

CREATE TABLE server_keys (
    kid        TEXT    NOT NULL PRIMARY KEY,
    seed       BLOB    NOT NULL,
    created_at INTEGER NOT NULL,
    retired_at INTEGER
) STRICT;

CREATE TABLE settings (
    key   TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

CREATE TABLE documents (
    id      TEXT NOT NULL PRIMARY KEY,          -- the documentId of the wire
    site_id TEXT NOT NULL REFERENCES sites (id),
    name    TEXT NOT NULL,
    heads   BLOB NOT NULL,                      -- ascending
    UNIQUE (site_id, name)
) STRICT;

CREATE TABLE changes (
    doc_id      TEXT    NOT NULL REFERENCES documents (id),
    hash        BLOB    NOT NULL,
    actor       BLOB    NOT NULL,
    seq         INTEGER NOT NULL,
    deps        BLOB    NOT NULL,
    bytes       BLOB    NOT NULL,
    received_at INTEGER NOT NULL,
    device      TEXT    NOT NULL,               -- the author's; not a reference: 'server' is no row
    via         TEXT    NOT NULL,               -- who brought it, '' = the author
    PRIMARY KEY (doc_id, hash),
    UNIQUE (doc_id, actor, seq)
) STRICT;

CREATE TABLE entries (
    site_id TEXT NOT NULL REFERENCES sites (id),
    id      TEXT NOT NULL,
    doc_id  TEXT NOT NULL,
    hash    BLOB NOT NULL,
    person  TEXT NOT NULL,
    PRIMARY KEY (site_id, id),
    FOREIGN KEY (doc_id, hash) REFERENCES changes (doc_id, hash)
) STRICT;
CREATE INDEX entries_change ON entries (doc_id, hash);

CREATE TABLE actors (
    site_id TEXT NOT NULL REFERENCES sites (id),
    actor   BLOB NOT NULL,
    device  TEXT NOT NULL,
    PRIMARY KEY (site_id, actor)
) STRICT;

CREATE TABLE held (
    site_id       TEXT    NOT NULL REFERENCES sites (id),
    doc_id        TEXT    NOT NULL,             -- not a reference: the document may have nothing else yet
    doc           TEXT    NOT NULL,
    hash          BLOB    NOT NULL,
    bytes         BLOB    NOT NULL,
    author_device TEXT    NOT NULL,
    via           TEXT    NOT NULL,
    code          TEXT    NOT NULL,
    at            INTEGER NOT NULL,
    PRIMARY KEY (doc_id, hash)
) STRICT;
CREATE INDEX held_site ON held (site_id, doc);

CREATE TABLE quarantine (
    id          TEXT    NOT NULL PRIMARY KEY,
    site_id     TEXT    NOT NULL REFERENCES sites (id),
    doc         TEXT    NOT NULL,
    hash        BLOB    NOT NULL,
    device      TEXT    NOT NULL,
    person      TEXT    NOT NULL,               -- '' = unknown
    code        TEXT    NOT NULL,
    reason      TEXT    NOT NULL,
    bytes       BLOB    NOT NULL,
    entries     TEXT    NOT NULL,               -- JSON list of raw entries
    at          INTEGER NOT NULL,
    resolved_at INTEGER,
    resolution  TEXT,
    resolved_by TEXT
) STRICT;
CREATE INDEX quarantine_site ON quarantine (site_id, at);
