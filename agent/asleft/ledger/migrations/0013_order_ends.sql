-- Figures ask which orders were carried out in a time; whoever asks for a state alone is served as before.
DROP INDEX restore_order_state;
CREATE INDEX restore_order_state ON restore_order (state, ended);
