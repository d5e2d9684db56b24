-- Orders that were drawn up together and are confirmed together.
CREATE TABLE order_group (
    id       TEXT PRIMARY KEY,
    drawn_up TEXT NOT NULL,
    body     TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Everything that happened to an order, in that order: who, when, why.
CREATE TABLE order_move (
    number   INTEGER PRIMARY KEY,
    order_id TEXT NOT NULL REFERENCES restore_order (id),
    at       TEXT NOT NULL,
    event    TEXT NOT NULL,
    by       TEXT NOT NULL DEFAULT '',
    why      TEXT NOT NULL DEFAULT '',
    accepted TEXT NOT NULL DEFAULT '[]',
    signed   TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE INDEX order_move_order ON order_move (order_id, number);

-- What was confirmed before lives were kept: the one confirmation, at the end where there is one, else at drawing up.
INSERT INTO order_move (order_id, at, event, by, why, accepted)
SELECT id, CASE ended WHEN '' THEN drawn_up ELSE ended END, 'confirm', by, reason, accepted FROM restore_order WHERE by <> '';

ALTER TABLE restore_order DROP COLUMN by;
ALTER TABLE restore_order DROP COLUMN reason;
ALTER TABLE restore_order DROP COLUMN accepted;
ALTER TABLE restore_order ADD COLUMN group_id TEXT NOT NULL DEFAULT '';
ALTER TABLE restore_order ADD COLUMN due TEXT NOT NULL DEFAULT '';
CREATE INDEX restore_order_unrecorded ON restore_order (id) WHERE recorded = 0;

-- What waited for its confirmation before this stands in no record yet, and need not.
UPDATE restore_order SET recorded = 1 WHERE state = 'drawn up';
