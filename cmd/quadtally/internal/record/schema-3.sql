-- Version 3: a sheet is the unit of correction, and any entry can be taken back.

-- One row a version of a sheet that was stored. The newest version in force of
-- a kind and name is the sheet; what older versions gave is history.
create table sheet (
  id    integer primary key autoincrement,
  entry integer not null references entry(id),
  kind  text not null,                   -- 'counts', 'yields', 'field'
  name  text not null,
  doc   text not null                    -- JSON of sheetDoc
);
create index sheet_name on sheet(kind, name);

-- An entry that takes back another: whatever was stored under that one counts
-- no more, until this one is taken back in its turn.
create table retraction (
  id     integer primary key autoincrement,
  entry  integer not null references entry(id),
  undoes integer not null references entry(id)
);

alter table observation add column sheet integer references sheet(id); -- null: given one at a time
alter table observation add column told integer references observation(id); -- row that first said the same; null: this one
alter table observation add column pick text not null default '';  -- of a harvest; '' where the date tells
alter table operation add column sheet integer references sheet(id);

-- What sheets gave before there were versions: all tellings of a kind and name
-- are the first version. It hangs on the first entry, which cannot be taken
-- back; its rows hang on their own.
drop trigger observation_stays;
insert into sheet(entry, kind, name, doc)
  select (select min(id) from entry), kind, name, '{}' from (
    select distinct e.command as kind, rtrim(rtrim(json_extract(o.doc, '$.source'), '0123456789'), ':') as name
    from observation o join entry e on e.id = o.entry
    where e.command in ('counts', 'yields') and json_extract(o.doc, '$.source') glob '*:[0-9]*');
update observation set sheet = (
    select s.id from sheet s join entry e on e.id = observation.entry
    where s.kind = e.command and s.name = rtrim(rtrim(json_extract(observation.doc, '$.source'), '0123456789'), ':'))
  where entry in (select id from entry where command in ('counts', 'yields'));
create trigger observation_stays before update on observation begin select raise(abort, 'the record only grows'); end;

drop trigger operation_stays;
insert into sheet(entry, kind, name, doc)
  select (select min(id) from entry), kind, name, '{}' from (
    select distinct e.command as kind, rtrim(rtrim(json_extract(o.doc, '$.source'), '0123456789'), ':') as name
    from operation o join entry e on e.id = o.entry
    where e.command = 'field' and json_extract(o.doc, '$.source') glob '*:[0-9]*');
update operation set sheet = (
    select s.id from sheet s join entry e on e.id = operation.entry
    where s.kind = e.command and s.name = rtrim(rtrim(json_extract(operation.doc, '$.source'), '0123456789'), ':'))
  where entry in (select id from entry where command = 'field');
create trigger operation_stays before update on operation begin select raise(abort, 'the record only grows'); end;

create trigger sheet_stays      before update on sheet      begin select raise(abort, 'the record only grows'); end;
create trigger sheet_kept       before delete on sheet      begin select raise(abort, 'the record only grows'); end;
create trigger retraction_stays before update on retraction begin select raise(abort, 'the record only grows'); end;
create trigger retraction_kept  before delete on retraction begin select raise(abort, 'the record only grows'); end;
