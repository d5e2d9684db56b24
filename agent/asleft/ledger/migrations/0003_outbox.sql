-- Alerts on their way, by number in the order in which they were put. Times are UTC, ISO 8601 to the microsecond, so that
-- they sort as text; an empty one is none.
CREATE TABLE outbox (
    number      INTEGER PRIMARY KEY AUTOINCREMENT,
    id          TEXT NOT NULL UNIQUE,
    receiver    TEXT NOT NULL,
    cause       TEXT NOT NULL,
    clears      INTEGER NOT NULL,
    body        TEXT NOT NULL,
    tries       INTEGER NOT NULL DEFAULT 0,
    first_tried TEXT NOT NULL DEFAULT '',
    next_try    TEXT NOT NULL,
    why         TEXT NOT NULL DEFAULT '',
    ended       TEXT NOT NULL DEFAULT '',
    given_up    INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE INDEX outbox_waiting ON outbox (receiver, number) WHERE ended = '';
CREATE INDEX outbox_cause ON outbox (cause, receiver, number);

-- Every id that was ever put, those of alerts that are forgotten, too: none is told twice.
CREATE TABLE outbox_id (
    id TEXT PRIMARY KEY
) STRICT, WITHOUT ROWID;
