-- By which passkey a person proved a confirmation; empty where none was given.
ALTER TABLE order_move ADD COLUMN proved TEXT NOT NULL DEFAULT '';
