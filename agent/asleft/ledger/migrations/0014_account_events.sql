-- What happened to the sign-in of a person, refused tries that follow one another in one row; the newest of each person are
-- kept. A number is never given again, so that what a person has seen stays seen. Whose account is removed is told of that, too:
-- the rows do not go with it. `since` is when the first of several was; `marks` are words with a comma between them.
CREATE TABLE account_event (
    number    INTEGER PRIMARY KEY AUTOINCREMENT,
    person    TEXT NOT NULL,
    at        TEXT NOT NULL,
    since     TEXT NOT NULL,
    move      TEXT NOT NULL,
    by        TEXT NOT NULL,
    address   TEXT NOT NULL,
    agent     TEXT NOT NULL,
    detail    TEXT NOT NULL,
    marks     TEXT NOT NULL,
    session   TEXT NOT NULL,
    count     INTEGER NOT NULL,
    elsewhere INTEGER NOT NULL,
    matters   INTEGER NOT NULL
) STRICT;

CREATE INDEX account_event_person ON account_event (person, matters, number);
CREATE INDEX account_event_at ON account_event (at);

-- Up to which number a person has seen them.
CREATE TABLE account_event_seen (
    person TEXT PRIMARY KEY,
    number INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
