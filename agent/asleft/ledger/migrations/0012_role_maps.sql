-- Units of one make tell the same role map, of some thousand characters: it is kept once for all of them.
CREATE TABLE role_map (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    packed TEXT NOT NULL UNIQUE
) STRICT;

INSERT INTO role_map (packed) SELECT DISTINCT packed FROM directory;

CREATE TABLE unit (
    serial   TEXT NOT NULL PRIMARY KEY,
    firmware TEXT NOT NULL,
    role_map INTEGER NOT NULL REFERENCES role_map (number)
) STRICT, WITHOUT ROWID;

INSERT OR REPLACE INTO unit (serial, firmware, role_map)
    SELECT serial, firmware, number FROM directory JOIN role_map USING (packed);

CREATE INDEX unit_role_map ON unit (role_map);

DROP TABLE directory;
