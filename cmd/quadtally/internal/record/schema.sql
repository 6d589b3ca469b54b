-- The record of one trial. Rows are only ever added; the newest of a kind wins.
-- Every row hangs on an entry: who wrote it, when, with which command.

create table entry (
  id      integer primary key autoincrement,
  at      text not null,                 -- UTC, RFC 3339
  author  text not null,
  command text not null,
  note    text not null default ''
);

create table trial (
  id    integer primary key autoincrement,
  entry integer not null references entry(id),
  doc   text not null                    -- JSON of trial.Trial
);

create table plot (
  id    integer primary key autoincrement,
  entry integer not null references entry(id),
  trial integer not null references trial(id),
  plot  text not null,
  doc   text not null,                   -- JSON of trial.Plot
  unique (trial, plot)
);

-- One row a photo content. The path is where it was first seen.
create table photo (
  hash  text primary key,                -- SHA-256 of the bytes, hex
  entry integer not null references entry(id),
  path  text not null,
  taken text not null default '',        -- local wall time, YYYY-MM-DDTHH:MM:SS, or ''
  doc   text not null                    -- JSON of PhotoFacts
) without rowid;

-- One row a measuring of a photo under one set of settings.
create table measurement (
  id          integer primary key autoincrement,
  entry       integer not null references entry(id),
  hash        text not null references photo(hash),
  fingerprint text not null,             -- of the settings
  guide       text not null default '',  -- corners and regions given by a person, JSON, or ''
  fault       text not null default '',  -- one sentence where it could not be measured
  doc         text not null,             -- JSON of the measurement
  curve       blob,                      -- cover as a function of threshold
  plane       blob                       -- greenness inside the frame
);
create index measurement_hash on measurement(hash, fingerprint);

-- What a measurement says at the threshold its visit has.
create table result (
  id          integer primary key autoincrement,
  entry       integer not null references entry(id),
  measurement integer not null references measurement(id),
  threshold   real not null,
  doc         text not null              -- JSON of Result
);
create index result_measurement on result(measurement);

-- What a person or a rule decided about a photo, a visit or the trial.
create table decision (
  id      integer primary key autoincrement,
  entry   integer not null references entry(id),
  subject text not null,                 -- 'photo:HASH', 'visit:N', 'trial'
  kind    text not null,
  value   text not null,                 -- JSON
  undoes  integer references decision(id)
);
create index decision_subject on decision(subject, kind);

create table observation (
  id       integer primary key autoincrement,
  entry    integer not null references entry(id),
  plot     text not null,
  quadrat  integer not null,             -- 0: the whole plot
  visit    integer not null,             -- 0: tied to a date, not to a visit
  date     text not null,
  variable text not null,
  class    text not null,
  value    real,                         -- null: looked for and missing, never zero
  unit     text not null,
  doc      text not null                 -- JSON of Observation
);
create index observation_key on observation(plot, quadrat, visit, date, variable, class);

create table operation (
  id    integer primary key autoincrement,
  entry integer not null references entry(id),
  doc   text not null                    -- JSON of Operation
);

-- A cache of what was seen where, so that a rescan need not read known files.
-- The one table whose rows may change: it holds nothing that cannot be read again.
create table sighting (
  path  text primary key,
  size  integer not null,
  mtime integer not null,
  hash  text not null
) without rowid;

create trigger entry_stays       before update on entry       begin select raise(abort, 'the record only grows'); end;
create trigger trial_stays       before update on trial       begin select raise(abort, 'the record only grows'); end;
create trigger plot_stays        before update on plot        begin select raise(abort, 'the record only grows'); end;
create trigger photo_stays       before update on photo       begin select raise(abort, 'the record only grows'); end;
create trigger measurement_stays before update on measurement begin select raise(abort, 'the record only grows'); end;
create trigger result_stays      before update on result      begin select raise(abort, 'the record only grows'); end;
create trigger decision_stays    before update on decision    begin select raise(abort, 'the record only grows'); end;
create trigger observation_stays before update on observation begin select raise(abort, 'the record only grows'); end;
create trigger operation_stays   before update on operation   begin select raise(abort, 'the record only grows'); end;
create trigger entry_kept        before delete on entry       begin select raise(abort, 'the record only grows'); end;
create trigger trial_kept        before delete on trial       begin select raise(abort, 'the record only grows'); end;
create trigger plot_kept         before delete on plot        begin select raise(abort, 'the record only grows'); end;
create trigger photo_kept        before delete on photo       begin select raise(abort, 'the record only grows'); end;
create trigger measurement_kept  before delete on measurement begin select raise(abort, 'the record only grows'); end;
create trigger result_kept       before delete on result      begin select raise(abort, 'the record only grows'); end;
create trigger decision_kept     before delete on decision    begin select raise(abort, 'the record only grows'); end;
create trigger observation_kept  before delete on observation begin select raise(abort, 'the record only grows'); end;
create trigger operation_kept    before delete on operation   begin select raise(abort, 'the record only grows'); end;
