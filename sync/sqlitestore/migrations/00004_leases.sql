-- +goose Up
-- Who does a job that one node alone should do. A row stays when its lease is
-- given back, so that the fence never starts again.
CREATE TABLE leases (
    name   TEXT    NOT NULL PRIMARY KEY,
    holder TEXT    NOT NULL,
    until  INTEGER NOT NULL,                    -- the first instant at which it no longer holds
    fence  INTEGER NOT NULL                     -- grows each time the lease is taken
) STRICT;
