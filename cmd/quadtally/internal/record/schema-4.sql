-- Version 4: plants told apart by class.

alter table measurement add column looks blob; -- what the green looks like, bit by bit; null: not kept

-- What follows from looks, named plants and check points, one row a
-- measurement. Like sightings it holds nothing that cannot be worked out
-- again, and its rows may change: each named plant sorts a whole visit anew.
create table sorting (
  measurement integer primary key references measurement(id),
  rests       text not null,             -- digest of all it follows from
  doc         text not null              -- JSON of Sorting
);
