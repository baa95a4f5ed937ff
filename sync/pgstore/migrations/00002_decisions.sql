-- What a manager decides about what was refused. An acceptance is claimed
-- before its entries are written, and is decided when they are durable.

-- +goose Up
ALTER TABLE quarantine ADD COLUMN claimed_at BIGINT;
ALTER TABLE quarantine ADD COLUMN why TEXT;
CREATE INDEX quarantine_device ON quarantine (site_id, device);
