-- Lists ask of every station only whether it was looked at, and whether the last look read something.
CREATE INDEX look_known ON look (last IS found, site, station);
