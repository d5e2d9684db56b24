-- The life of one station's or one site's alarms, read from its end without looking at any other's.
CREATE INDEX alarm_event_of ON alarm_event (
    json_extract(body, '$.drift.key.station.site'), json_extract(body, '$.drift.key.station.name'), at, id
);
