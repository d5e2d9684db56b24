-- Accounts of people who come in through the page. A password is kept as its argon2id hash; of links, sessions and tokens
-- only the SHA-256 of their 256 random bits. Times are UTC, ISO 8601 to the microsecond, so that they sort as text; an empty
-- one is none.
CREATE TABLE account (
    person       TEXT PRIMARY KEY,
    handle       TEXT NOT NULL,
    made         TEXT NOT NULL,
    password     TEXT NOT NULL DEFAULT '',
    password_set TEXT NOT NULL DEFAULT ''
) STRICT, WITHOUT ROWID;

-- The one-time link of a person: one at most.
CREATE TABLE account_link (
    person TEXT PRIMARY KEY REFERENCES account (person) ON DELETE CASCADE,
    digest TEXT NOT NULL UNIQUE,
    made   TEXT NOT NULL,
    ends   TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE account_session (
    digest  TEXT PRIMARY KEY,
    person  TEXT NOT NULL REFERENCES account (person) ON DELETE CASCADE,
    how     TEXT NOT NULL,
    made    TEXT NOT NULL,
    seen    TEXT NOT NULL,
    ends    TEXT NOT NULL,
    address TEXT NOT NULL,
    agent   TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX account_session_person ON account_session (person);

-- What an authenticator is to sign; it ends with its session.
CREATE TABLE account_challenge (
    session TEXT NOT NULL REFERENCES account_session (digest) ON DELETE CASCADE,
    purpose TEXT NOT NULL,
    about   TEXT NOT NULL,
    secret  TEXT NOT NULL,
    ends    TEXT NOT NULL,
    PRIMARY KEY (session, purpose)
) STRICT, WITHOUT ROWID;

CREATE TABLE account_token (
    digest TEXT PRIMARY KEY,
    person TEXT NOT NULL REFERENCES account (person) ON DELETE CASCADE,
    name   TEXT NOT NULL,
    rights TEXT NOT NULL,
    made   TEXT NOT NULL,
    ends   TEXT NOT NULL,
    used   TEXT NOT NULL DEFAULT '',
    UNIQUE (person, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE account_passkey (
    id         TEXT PRIMARY KEY,
    person     TEXT NOT NULL REFERENCES account (person) ON DELETE CASCADE,
    name       TEXT NOT NULL,
    public_key TEXT NOT NULL,
    uses       INTEGER NOT NULL,
    made       TEXT NOT NULL,
    used       TEXT NOT NULL DEFAULT ''
) STRICT, WITHOUT ROWID;

CREATE INDEX account_passkey_person ON account_passkey (person);

-- Failed tries to sign in: of a person, an address, or a person from an address.
CREATE TABLE account_tries (
    subject  TEXT PRIMARY KEY,
    failures INTEGER NOT NULL,
    last     TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX account_tries_last ON account_tries (last);

-- From where people signed in.
CREATE TABLE account_known (
    person  TEXT NOT NULL REFERENCES account (person) ON DELETE CASCADE,
    network TEXT NOT NULL,
    at      TEXT NOT NULL,
    PRIMARY KEY (person, network)
) STRICT, WITHOUT ROWID;
