-- Orders are listed piece by piece, the newest first, and each group once: what is older is not sorted for it.
CREATE INDEX restore_order_age ON restore_order (drawn_up, id);
CREATE INDEX restore_order_group ON restore_order (group_id, drawn_up, id) WHERE group_id <> '';
