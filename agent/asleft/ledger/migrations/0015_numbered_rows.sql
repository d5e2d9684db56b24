-- A change of one station wrote seven pages: a look that read something was kept twice, in a row too long for one page, and long rows
-- that lie in the order of their names have to make room for one another. A row with a number is changed where it lies, or put at the end.
CREATE TABLE numbered_look (
    number  INTEGER PRIMARY KEY,
    site    TEXT NOT NULL,
    station TEXT NOT NULL,
    read    INTEGER NOT NULL, -- 1 where the last look read something
    last    TEXT NOT NULL,
    found   TEXT, -- the last look that read something, where the last one did not
    UNIQUE (site, station)
) STRICT;

INSERT INTO numbered_look (site, station, read, last, found)
SELECT site, station, json_extract(last, '$.state') IS NULL, last,
       CASE WHEN json_extract(last, '$.state') IS NULL THEN NULL ELSE found END
FROM look;

DROP TABLE look;
ALTER TABLE numbered_look RENAME TO look;

CREATE INDEX look_not_read ON look (site, station) WHERE read = 0;

CREATE TABLE numbered_standing (
    number  INTEGER PRIMARY KEY,
    site    TEXT NOT NULL,
    station TEXT NOT NULL,
    kind    TEXT NOT NULL,
    setting TEXT NOT NULL,
    since   TEXT NOT NULL,
    seen    TEXT NOT NULL,
    drift   TEXT NOT NULL,
    UNIQUE (site, station, kind, setting)
) STRICT;

INSERT INTO numbered_standing (site, station, kind, setting, since, seen, drift)
SELECT site, station, kind, setting, since, seen, drift FROM standing;

DROP TABLE standing;
ALTER TABLE numbered_standing RENAME TO standing;
