-- Loans follow from their orders; these say at once that nothing is lent, however many orders there were.
CREATE INDEX restore_order_lends ON restore_order (drawn_up, id) WHERE json_extract(body, '$.purpose') = 'lend';
CREATE INDEX restore_order_gives_back ON restore_order (json_extract(body, '$.undoes'))
    WHERE json_extract(body, '$.purpose') = 'give back';
