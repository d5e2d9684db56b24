-- Every head of the records that this agent wrote, in order: a commit that is missing later was taken out by somebody.
-- `kept` is 0 from the moment before the branch is moved until it was: after a crash either may be so.
CREATE TABLE records_head (
    number    INTEGER PRIMARY KEY,
    commit_id TEXT NOT NULL UNIQUE,
    at        TEXT NOT NULL,
    kept      INTEGER NOT NULL
) STRICT;

INSERT INTO records_head (commit_id, at, kept) SELECT value, '', 1 FROM note WHERE key = 'records head';

-- By which revision a confirmation was judged, the signature itself, and under what it stands where that is no single order.
ALTER TABLE order_move ADD COLUMN baseline TEXT NOT NULL DEFAULT '';
ALTER TABLE order_move ADD COLUMN signature TEXT NOT NULL DEFAULT '';
ALTER TABLE order_move ADD COLUMN over TEXT NOT NULL DEFAULT '';
