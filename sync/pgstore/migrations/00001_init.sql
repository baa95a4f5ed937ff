-- Instants are milliseconds since 1970, ids are text, hashes and keys are raw
-- bytes. A list of hashes is their bytes one after the other.

-- +goose Up
CREATE TABLE sites (
    id            TEXT    NOT NULL PRIMARY KEY,
    slug          TEXT    NOT NULL UNIQUE,
    name          TEXT    NOT NULL,
    zone          TEXT    NOT NULL,
    created_at    BIGINT  NOT NULL,
    wake_at       BIGINT,                      -- when the rules are due; NULL = nothing to wait for
    revision      BIGINT  NOT NULL DEFAULT 0,   -- grows with every batch: compare it when setting wake_at
    restore_until BIGINT                        -- end of the restore window; NULL = none
);
CREATE INDEX sites_wake ON sites (wake_at);

CREATE TABLE people (
    id         TEXT    NOT NULL PRIMARY KEY,
    name       TEXT,                            -- NULL = erased
    created_at BIGINT  NOT NULL
);

CREATE TABLE grants (
    id        TEXT    NOT NULL PRIMARY KEY,
    site_id   TEXT    NOT NULL REFERENCES sites (id),
    person_id TEXT    NOT NULL REFERENCES people (id),
    role      TEXT    NOT NULL,
    gates     TEXT,                             -- JSON list of gate ids; NULL = all
    from_at   BIGINT  NOT NULL,
    until_at  BIGINT                            -- NULL = open
);
CREATE INDEX grants_site ON grants (site_id, person_id);
CREATE INDEX grants_person ON grants (person_id);

CREATE TABLE devices (
    id           TEXT    NOT NULL PRIMARY KEY,
    site_id      TEXT    NOT NULL REFERENCES sites (id),
    public_key   BYTEA   NOT NULL,
    label        TEXT    NOT NULL,
    created_at   BIGINT  NOT NULL,
    last_seen_at BIGINT,
    clock_offset BIGINT,                       -- server minus device, ms
    revoked_at   BIGINT,
    relay        BIGINT  NOT NULL DEFAULT 0
);
CREATE INDEX devices_site ON devices (site_id);

CREATE TABLE device_people (
    device_id TEXT    NOT NULL REFERENCES devices (id),
    person_id TEXT    NOT NULL REFERENCES people (id),
    added_at  BIGINT  NOT NULL,
    PRIMARY KEY (device_id, person_id)
);
CREATE INDEX device_people_person ON device_people (person_id);

CREATE TABLE invitations (
    code_hash  BYTEA   NOT NULL PRIMARY KEY,
    site_id    TEXT    NOT NULL REFERENCES sites (id),
    role       TEXT    NOT NULL,
    person_id  TEXT REFERENCES people (id),     -- NULL = a new person
    name       TEXT,
    created_by TEXT    NOT NULL,
    created_at BIGINT  NOT NULL,
    expires_at BIGINT  NOT NULL,
    spent_at   BIGINT,
    spent_by   TEXT                             -- the device that spent it
);
CREATE INDEX invitations_site ON invitations (site_id);

CREATE TABLE challenges (
    nonce_hash BYTEA   NOT NULL PRIMARY KEY,
    device_id  TEXT    NOT NULL REFERENCES devices (id),
    expires_at BIGINT  NOT NULL
);
CREATE INDEX challenges_expiry ON challenges (expires_at);

CREATE TABLE tickets (
    hash       BYTEA   NOT NULL PRIMARY KEY,
    site_id    TEXT    NOT NULL REFERENCES sites (id),
    device_id  TEXT    NOT NULL REFERENCES devices (id),
    expires_at BIGINT  NOT NULL,
    reusable   BIGINT  NOT NULL DEFAULT 0,
    sender_id  TEXT,                            -- the first to use a reusable ticket
    used_at    BIGINT
);
CREATE INDEX tickets_expiry ON tickets (expires_at);

CREATE TABLE server_keys (
    kid        TEXT    NOT NULL PRIMARY KEY,
    seed       BYTEA   NOT NULL,
    created_at BIGINT  NOT NULL,
    retired_at BIGINT
);

CREATE TABLE settings (
    key   TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
);

CREATE TABLE documents (
    id      TEXT NOT NULL PRIMARY KEY,          -- the documentId of the wire
    site_id TEXT NOT NULL REFERENCES sites (id),
    name    TEXT NOT NULL,
    heads   BYTEA NOT NULL,                     -- ascending
    UNIQUE (site_id, name)
);

CREATE TABLE changes (
    doc_id      TEXT    NOT NULL REFERENCES documents (id),
    hash        BYTEA   NOT NULL,
    actor       BYTEA   NOT NULL,
    seq         BIGINT  NOT NULL,
    deps        BYTEA   NOT NULL,
    bytes       BYTEA   NOT NULL,
    received_at BIGINT  NOT NULL,
    device      TEXT    NOT NULL,               -- the author's; not a reference: 'server' is no row
    via         TEXT    NOT NULL,               -- who brought it, '' = the author
    PRIMARY KEY (doc_id, hash),
    UNIQUE (doc_id, actor, seq)
);

CREATE TABLE entries (
    site_id TEXT NOT NULL REFERENCES sites (id),
    id      TEXT NOT NULL,
    doc_id  TEXT NOT NULL,
    hash    BYTEA NOT NULL,
    person  TEXT NOT NULL,
    PRIMARY KEY (site_id, id),
    FOREIGN KEY (doc_id, hash) REFERENCES changes (doc_id, hash)
);
CREATE INDEX entries_change ON entries (doc_id, hash);

CREATE TABLE actors (
    site_id TEXT NOT NULL REFERENCES sites (id),
    actor   BYTEA NOT NULL,
    device  TEXT NOT NULL,
    PRIMARY KEY (site_id, actor)
);

CREATE TABLE held (
    site_id       TEXT    NOT NULL REFERENCES sites (id),
    doc_id        TEXT    NOT NULL,             -- not a reference: the document may have nothing else yet
    doc           TEXT    NOT NULL,
    hash          BYTEA   NOT NULL,
    bytes         BYTEA   NOT NULL,
    author_device TEXT    NOT NULL,
    via           TEXT    NOT NULL,
    code          TEXT    NOT NULL,
    at            BIGINT  NOT NULL,
    PRIMARY KEY (doc_id, hash)
);
CREATE INDEX held_site ON held (site_id, doc);

CREATE TABLE quarantine (
    id          TEXT    NOT NULL PRIMARY KEY,
    site_id     TEXT    NOT NULL REFERENCES sites (id),
    doc         TEXT    NOT NULL,
    hash        BYTEA   NOT NULL,
    device      TEXT    NOT NULL,
    person      TEXT    NOT NULL,               -- '' = unknown
    code        TEXT    NOT NULL,
    reason      TEXT    NOT NULL,
    bytes       BYTEA   NOT NULL,
    entries     TEXT    NOT NULL,               -- JSON list of raw entries
    at          BIGINT  NOT NULL,
    resolved_at BIGINT,
    resolution  TEXT,
    resolved_by TEXT
);
CREATE INDEX quarantine_site ON quarantine (site_id, at);
