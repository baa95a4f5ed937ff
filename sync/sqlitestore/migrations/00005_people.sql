-- How managers sign in, what a grant is limited to, and what happened that
-- somebody may want to look up later.

-- +goose Up
ALTER TABLE grants ADD COLUMN doings TEXT;                    -- JSON list of kinds of entry; NULL = all the role may
ALTER TABLE grants ADD COLUMN owner INTEGER NOT NULL DEFAULT 0;

ALTER TABLE invitations ADD COLUMN gates TEXT;                -- of the grant, as there
ALTER TABLE invitations ADD COLUMN doings TEXT;
ALTER TABLE invitations ADD COLUMN from_at INTEGER;           -- of the grant; NULL = from when it is spent
ALTER TABLE invitations ADD COLUMN until_at INTEGER;
ALTER TABLE invitations ADD COLUMN owner INTEGER NOT NULL DEFAULT 0;
ALTER TABLE invitations ADD COLUMN short_hash BLOB;           -- of the code that is typed
ALTER TABLE invitations ADD COLUMN short_until INTEGER;
CREATE UNIQUE INDEX invitations_short ON invitations (short_hash);

CREATE TABLE passkeys (
    id         BLOB    NOT NULL PRIMARY KEY,   -- the credential's id
    person_id  TEXT    NOT NULL REFERENCES people (id),
    credential TEXT    NOT NULL,               -- JSON: public key, sign count, flags
    label      TEXT    NOT NULL,
    created_at INTEGER NOT NULL,
    used_at    INTEGER
) STRICT;
CREATE INDEX passkeys_person ON passkeys (person_id);

CREATE TABLE passphrases (
    person_id  TEXT    NOT NULL PRIMARY KEY REFERENCES people (id),
    hash       TEXT    NOT NULL,               -- argon2id, with its parameters and salt
    created_at INTEGER NOT NULL
) STRICT;

CREATE TABLE recovery_codes (
    hash       BLOB    NOT NULL PRIMARY KEY,
    person_id  TEXT    NOT NULL REFERENCES people (id),
    created_at INTEGER NOT NULL,
    used_at    INTEGER
) STRICT;
CREATE INDEX recovery_codes_person ON recovery_codes (person_id);

CREATE TABLE ceremonies (                      -- passkeys being registered or asked for
    hash       BLOB    NOT NULL PRIMARY KEY,
    person_id  TEXT    NOT NULL REFERENCES people (id),
    device_id  TEXT    NOT NULL REFERENCES devices (id),
    kind       TEXT    NOT NULL,
    data       TEXT    NOT NULL,
    expires_at INTEGER NOT NULL
) STRICT;
CREATE INDEX ceremonies_expiry ON ceremonies (expires_at);

CREATE TABLE sign_in_failures (                -- of one person on one device: nobody locks another out
    device_id TEXT    NOT NULL REFERENCES devices (id),
    person_id TEXT    NOT NULL REFERENCES people (id),
    failures  INTEGER NOT NULL,
    last_at   INTEGER NOT NULL,
    PRIMARY KEY (device_id, person_id)
) STRICT;

CREATE TABLE audit (
    id      TEXT    NOT NULL PRIMARY KEY,
    site_id TEXT    NOT NULL,                  -- '' = the whole server
    at      INTEGER NOT NULL,
    who     TEXT    NOT NULL,                  -- a person's id, console, '' = nobody known
    device  TEXT    NOT NULL,
    address TEXT    NOT NULL,
    what    TEXT    NOT NULL,
    target  TEXT    NOT NULL,
    outcome TEXT    NOT NULL
) STRICT;
CREATE INDEX audit_site ON audit (site_id, at);
CREATE INDEX audit_age ON audit (at);
