-- A closed month is packed: all its changes in one compressed row. Of a packed
-- change the row in changes stays, with empty deps and bytes; a row whose bytes
-- are not empty stands for itself, packed or not.

-- +goose Up
CREATE TABLE packs (
    doc_id    TEXT    NOT NULL PRIMARY KEY REFERENCES documents (id),
    heads     BYTEA   NOT NULL,                 -- of the document when it was packed; empty = pack it anew
    digest    BYTEA   NOT NULL,                 -- SHA-256 of bytes
    bytes     BYTEA   NOT NULL,
    packed_at BIGINT  NOT NULL
);
