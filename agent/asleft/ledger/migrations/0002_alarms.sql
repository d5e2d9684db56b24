-- Alarms that are not normal, and normal ones that still remember an onset or wait for a delay.
CREATE TABLE alarm (
    site    TEXT NOT NULL,
    station TEXT NOT NULL,
    kind    TEXT NOT NULL,
    setting TEXT NOT NULL,
    body    TEXT NOT NULL,
    PRIMARY KEY (site, station, kind, setting)
) STRICT, WITHOUT ROWID;

-- What happened to alarms, for the figures. Times are UTC, ISO 8601 to the microsecond, so that they sort as text.
CREATE TABLE alarm_event (
    id   INTEGER PRIMARY KEY,
    at   TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;

CREATE INDEX alarm_event_at ON alarm_event (at);

-- Stations that a person took out of service.
CREATE TABLE out_of_service (
    site    TEXT NOT NULL,
    station TEXT NOT NULL,
    mark    TEXT NOT NULL,
    PRIMARY KEY (site, station)
) STRICT, WITHOUT ROWID;
