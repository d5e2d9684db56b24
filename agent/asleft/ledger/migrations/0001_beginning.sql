-- Small facts by name: the records head that this agent last wrote, the baseline revision in force.
CREATE TABLE note (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- The last look at each station, and the last one that read something. Can be rebuilt by a round.
CREATE TABLE look (
    site    TEXT NOT NULL,
    station TEXT NOT NULL,
    last    TEXT NOT NULL,
    found   TEXT,
    PRIMARY KEY (site, station)
) STRICT, WITHOUT ROWID;

-- Drifts that stand. Times are UTC, ISO 8601.
CREATE TABLE standing (
    site    TEXT NOT NULL,
    station TEXT NOT NULL,
    kind    TEXT NOT NULL,
    setting TEXT NOT NULL,
    since   TEXT NOT NULL,
    seen    TEXT NOT NULL,
    drift   TEXT NOT NULL,
    PRIMARY KEY (site, station, kind, setting)
) STRICT, WITHOUT ROWID;

-- Role path to object number, as browsed once for a unit and its firmware.
CREATE TABLE directory (
    serial   TEXT NOT NULL,
    firmware TEXT NOT NULL,
    packed   TEXT NOT NULL,
    PRIMARY KEY (serial, firmware)
) STRICT, WITHOUT ROWID;

-- Restore orders. The order itself never changes; the rest says what became of it.
CREATE TABLE restore_order (
    id       TEXT PRIMARY KEY,
    drawn_up TEXT NOT NULL,
    body     TEXT NOT NULL,
    state    TEXT NOT NULL,
    by       TEXT NOT NULL DEFAULT '',
    reason   TEXT NOT NULL DEFAULT '',
    accepted TEXT NOT NULL DEFAULT '[]',
    outcome  TEXT NOT NULL DEFAULT '',
    ended    TEXT NOT NULL DEFAULT '',
    recorded INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

CREATE INDEX restore_order_state ON restore_order (state);

-- Write-ahead: a row is on disk before its write is sent.
CREATE TABLE step (
    order_id TEXT NOT NULL REFERENCES restore_order (id),
    setting  TEXT NOT NULL,
    state    TEXT NOT NULL,
    note     TEXT NOT NULL,
    PRIMARY KEY (order_id, setting)
) STRICT;
