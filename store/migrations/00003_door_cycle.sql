-- A run may state how often the doors of its specimens had been closed before it,
-- so that trends can be drawn over door cycles. NULL: not stated. It is written
-- with the run and never changed.

-- +goose Up

ALTER TABLE runs ADD COLUMN door_cycle INTEGER CHECK (door_cycle >= 0);
