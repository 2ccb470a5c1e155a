-- Whatever happened to a bath is a row of facts. The columns are the journal's;
-- rows are only ever added, each chained to the one before it in its bath.
-- The file runs as whoever connects and goes on as the owner once that role exists.

do $$
begin
  if current_setting('server_version_num')::int < 140000 then
    raise exception 'PostgreSQL 14 or newer is needed, this is %', current_setting('server_version')
      using errcode = '0A000';
  end if;
  if current_setting('server_encoding') <> 'UTF8' then
    raise exception 'the database must be encoded in UTF8, this one is %', current_setting('server_encoding')
      using errcode = '0A000';
  end if;
end
$$;

-- Roles belong to the whole server: another database may have made them, or
-- may be making them at this moment.
do $$
declare
  wanted text;
begin
  foreach wanted in array array['steadybath_owner', 'steadybath_writer', 'steadybath_reader'] loop
    if not exists (select from pg_catalog.pg_roles where rolname = wanted) then
      begin
        execute format('create role %I nologin', wanted);
      exception when duplicate_object or unique_violation then
        null;
      end;
    end if;
  end loop;
  if not pg_has_role(current_user, 'steadybath_owner', 'member') then
    grant steadybath_owner to current_user;
  end if;
end
$$;

create schema steadybath authorization steadybath_owner;
comment on schema steadybath is 'Facts about plating baths, and views on them for people with psql.';

set local role steadybath_owner;

grant usage on schema steadybath to steadybath_writer, steadybath_reader;

create table steadybath.schema_version (
  version integer constraint schema_version_pkey primary key,
  name text not null,
  applied timestamptz not null default clock_timestamp()
);
comment on table steadybath.schema_version is 'Migrations applied; the highest version is the schema''s. The tool refuses one newer than it knows.';
grant select on steadybath.schema_version to steadybath_writer, steadybath_reader;

-- Units by what they measure. The checks below call these functions, so that a
-- later migration can add a unit without touching the table.
create function steadybath.is_volume(unit text) returns boolean language sql immutable parallel safe
  return unit in ('L', 'mL', 'uL', 'gal', 'fl oz');
create function steadybath.is_mass(unit text) returns boolean language sql immutable parallel safe
  return unit in ('g', 'kg', 'mg', 'oz', 'lb');
create function steadybath.is_charge(unit text) returns boolean language sql immutable parallel safe
  return unit in ('Ah', 'kAh', 'mAh', 'Amin');
create function steadybath.is_concentration(unit text) returns boolean language sql immutable parallel safe
  return unit in ('g/L', 'mg/L', 'oz/gal', 'mL/L', 'vol%', 'fl oz/gal', 'mol/L', 'mmol/L');

-- NaN and the infinities pass "x > 0": PostgreSQL sorts NaN above everything.
create function steadybath.is_finite(x numeric) returns boolean language sql immutable parallel safe
  return x > '-Infinity' and x < 'Infinity';

create table steadybath.facts (
  bath text collate "C" not null default '',
  number bigint not null,
  time timestamptz not null,
  kind text collate "C" not null,
  subject text not null default '',
  value numeric,
  unit text collate "C" not null default '',
  u numeric,
  note text not null default '',
  id uuid not null default gen_random_uuid(),
  entered timestamptz not null,
  by text not null,
  more json,
  hash text collate "C" not null,

  constraint facts_pkey primary key (bath, number),
  constraint facts_id unique (bath, id),

  constraint facts_kind check (kind in ('bath', 'setting', 'titrant', 'material', 'fill', 'hang', 'plate', 'meter',
    'level', 'assay', 'panel', 'weigh', 'bail', 'treat', 'change', 'add', 'pull', 'note', 'void')),
  constraint facts_whose check (case when kind in ('titrant', 'material') then bath = '' when kind in ('note', 'void') then true else bath <> '' end),
  constraint facts_bath_first check (bath = '' or number > 1 or kind = 'bath'),
  constraint facts_bath_once check (kind <> 'bath' or number = 1),
  constraint facts_time check (time >= '1900-01-01T00:00:00Z' and time < '10000-01-01T00:00:00Z'),
  constraint facts_finite check (steadybath.is_finite(value) and steadybath.is_finite(u)),
  constraint facts_digits check (length(replace(abs(value)::text, '.', '')) <= 24 and length(replace(u::text, '.', '')) <= 24),
  constraint facts_u check (u is null or value is not null and u >= 0),
  constraint facts_id_given check (id <> '00000000-0000-0000-0000-000000000000'),
  constraint facts_more check (more is null or json_typeof(more) = 'object' and more::text !~ E'[\n\r]' and more::jsonb is not null),

  constraint facts_bath check (kind <> 'bath' or
    subject = '' and coalesce(value > 0, false) and steadybath.is_volume(unit)),
  constraint facts_setting check (kind <> 'setting' or subject <> '' and note <> ''),
  constraint facts_titrant check (kind <> 'titrant' or
    subject <> '' and coalesce(value > 0, false) and unit in ('mol/L', 'mmol/L')),
  constraint facts_material check (kind <> 'material' or
    subject <> '' and coalesce(value >= 0, false) and (steadybath.is_mass(unit) or steadybath.is_volume(unit))),
  constraint facts_fill check (kind <> 'fill' or
    subject = '' and coalesce(value > 0, false) and steadybath.is_volume(unit)),
  constraint facts_level check (kind <> 'level' or
    subject = '' and coalesce(value > 0, false) and steadybath.is_volume(unit)),
  constraint facts_assay check (kind <> 'assay' or subject <> '' and value is not null and
    case subject
      when 'pH' then unit = 'pH'
      when 'temperature' then unit in ('degC', 'degF')
      when 'density' then value >= 0 and unit = 'g/cm3'
      else value >= 0 and steadybath.is_concentration(unit)
    end),
  constraint facts_panel check (kind <> 'panel' or
    subject <> '' and (value is null or value >= 0 and steadybath.is_concentration(unit))),
  constraint facts_meter check (kind <> 'meter' or
    subject <> '' and coalesce(value >= 0, false) and steadybath.is_charge(unit)),
  constraint facts_plate check (kind <> 'plate' or
    coalesce(value > 0, false) and steadybath.is_charge(unit)),
  constraint facts_add check (kind <> 'add' or
    subject <> '' and coalesce(value > 0, false) and (steadybath.is_mass(unit) or steadybath.is_volume(unit))),
  constraint facts_bail check (kind <> 'bail' or
    subject = '' and coalesce(value > 0, false) and steadybath.is_volume(unit)),
  constraint facts_treat check (kind <> 'treat' or subject in ('carbon', 'peroxide', 'dummy') and (value is null or value >= 0 and
    case subject when 'dummy' then steadybath.is_charge(unit) else steadybath.is_mass(unit) or steadybath.is_volume(unit) end)),
  constraint facts_change check (kind <> 'change' or subject in ('bags', 'filter') and value is null),
  constraint facts_hang check (kind <> 'hang' or
    subject <> '' and subject <> 'all' and (value is null or value > 0 and steadybath.is_mass(unit))),
  constraint facts_weigh check (kind <> 'weigh' or
    subject <> '' and subject <> 'all' and coalesce(value >= 0, false) and steadybath.is_mass(unit)),
  constraint facts_pull check (kind <> 'pull' or
    subject <> '' and (value is null or value >= 0 and steadybath.is_mass(unit))),
  constraint facts_note check (kind <> 'note' or note <> '' and value is null),
  constraint facts_void check (kind <> 'void' or note <> '' and value is null and
    subject ~ '^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$')
);

create index facts_time on steadybath.facts (bath, time);
create index facts_voids on steadybath.facts (bath, number) where kind = 'void';

comment on table steadybath.facts is 'Whatever happened to a bath, one row each; rows are added, never changed or deleted. A wrong one is voided by a later one.';
comment on column steadybath.facts.bath is 'Name of the bath; empty for facts of the shop (titrants, stock), which have a chain of their own.';
comment on column steadybath.facts.number is 'Place in the order of entry of the bath, from 1 without gaps; set by the database.';
comment on column steadybath.facts.time is 'When it happened; for a plating run its end, for an assay when the sample was drawn.';
comment on column steadybath.facts.kind is 'What sort of thing happened; see the checks named facts_KIND for what each needs.';
comment on column steadybath.facts.subject is 'What it is about: constituent, material, anode, supply, key of a setting; for a void the id of the fact voided.';
comment on column steadybath.facts.value is 'The number as typed, in the unit of the column unit; digits are kept (58.0 is not 58).';
comment on column steadybath.facts.unit is 'The unit as typed, in plain ASCII: g/L, A/dm2, degC.';
comment on column steadybath.facts.u is 'Standard uncertainty of value, in the same unit; for a titration the part that is independent of the titrant lot.';
comment on column steadybath.facts.note is 'Free text; the reason of a setting or a void.';
comment on column steadybath.facts.id is 'Names the fact for programs; the same id is never entered twice in a bath.';
comment on column steadybath.facts.entered is 'When it was entered: the later of the clock and the previous entry + 1 us; set by the database.';
comment on column steadybath.facts.by is 'Who entered it: the database user of the session; set by the database.';
comment on column steadybath.facts.more is 'What the fact says beyond the columns: one JSON object, kept as the text it came as.';
comment on column steadybath.facts.hash is 'SHA-256 in hex of the previous hash, a line feed, steadybath.line of this row, a line feed; set by the database.';

-- The text that the chain hashes: the row as a line of the journal without its
-- hash. It must stay what journal.Row.Line writes; a test compares the two.
-- Bodies are parsed when they are made, so that nobody's search_path can put
-- other operators into them.
create function steadybath.quoted(s text) returns text language sql immutable parallel safe
  return case when strpos(s, ',') = 0 and strpos(s, '"') = 0 then s else '"' || replace(s, '"', '""') || '"' end;
create function steadybath.field(s text) returns text language sql immutable parallel safe
  return case when translate(s, E'\\\n\r",', '') = s then s
    else steadybath.quoted(replace(replace(replace(s, E'\\', E'\\\\'), E'\n', E'\\n'), E'\r', E'\\r')) end;
create function steadybath.iso(t timestamptz) returns text language sql stable parallel safe
  return rtrim(rtrim(to_char(t at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'), '0'), '.') || 'Z';
create function steadybath.short_line(f steadybath.facts) returns text language sql stable parallel safe
  return steadybath.iso(f.time) || ',' || steadybath.field(f.bath) || ',' || steadybath.field(f.kind) || ',' || steadybath.field(f.subject)
    || ',' || coalesce(f.value::text, '') || ',' || steadybath.field(f.unit) || ',' || coalesce(f.u::text, '') || ',' || steadybath.field(f.note);
create function steadybath.line(f steadybath.facts) returns text language sql stable parallel safe
  return steadybath.short_line(f) || ',' || f.id::text || ',' || steadybath.iso(f.entered) || ',' || steadybath.field(f.by)
    || ',' || steadybath.quoted(coalesce(f.more::text, ''));
create function steadybath.chain(previous text, line text) returns text language sql immutable parallel safe
  return encode(sha256(convert_to(previous || E'\n' || line || E'\n', 'UTF8')), 'hex');
comment on function steadybath.line(steadybath.facts) is 'The fact as a line of the journal without its hash: what the chain hashes.';
comment on function steadybath.chain(text, text) is 'The hash of a line after the hash of the fact before it, which is empty for the first.';

-- The id of a fact that came without one, as journal.DeriveID makes it: from
-- its first eight columns and its ordinal among equal rows of its journal.
create function steadybath.derived_id(f steadybath.facts, ordinal bigint) returns uuid language sql stable parallel safe
  return (select encode(set_byte(set_byte(h.b, 6, get_byte(h.b, 6) & 15 | 128), 8, get_byte(h.b, 8) & 63 | 128), 'hex')::uuid
    from (select substring(sha256(convert_to(steadybath.short_line(f) || E'\n' || ordinal, 'UTF8')) from 1 for 16) as b) h);

-- One lock per bath, held to the end of the transaction: baths never wait for
-- each other. The seed keeps these keys apart from other uses of such locks.
create function steadybath.lock_key(bath text) returns bigint language sql immutable parallel safe
  return hashtextextended(bath, 7390216);

-- Sorting is off because the plan for the last fact is made once a session: one
-- made while the table was small would read all of a bath's facts for each new
-- one, and a large import would take hours. Without sorting only the key is left.
create function steadybath.enter_fact() returns trigger language plpgsql
  set search_path = pg_catalog, pg_temp set enable_sort = off as $$
declare
  last_number bigint;
  last_entered timestamptz;
  last_hash text;
begin
  new.bath := coalesce(new.bath, '');
  new.subject := coalesce(new.subject, '');
  new.unit := coalesce(new.unit, '');
  new.note := coalesce(new.note, '');
  new.id := coalesce(new.id, gen_random_uuid());
  perform pg_advisory_xact_lock(steadybath.lock_key(new.bath));
  -- After the lock, so that it sees what the holder before us committed.
  select f.number, f.entered, f.hash into last_number, last_entered, last_hash
    from steadybath.facts f where f.bath = new.bath order by f.number desc limit 1;
  last_hash := coalesce(last_hash, '');
  new.number := coalesce(last_number, 0) + 1;
  if new.hash is not null and current_user = 'steadybath_owner' then
    -- A row taken over with its chain: who and when stay as they are, but only
    -- as the very next link, and not from the future, which would push every
    -- later entry there too.
    if new.entered is null or new."by" is null or new.entered > clock_timestamp() or coalesce(new.entered <= last_entered, false)
       or new.hash is distinct from steadybath.chain(last_hash, steadybath.line(new)) then
      raise exception 'fact % of bath "%" does not continue its chain', new.number, new.bath
        using errcode = 'integrity_constraint_violation', schema = 'steadybath', table = 'facts', constraint = 'facts_chain';
    end if;
  else
    new.entered := greatest(clock_timestamp(), last_entered + interval '1 microsecond');
    new."by" := session_user;
    -- An infinite time has no line; the check on time refuses it after this.
    new.hash := coalesce(steadybath.chain(last_hash, steadybath.line(new)), '');
  end if;
  -- What is no id at all is left to the check on voids.
  if new.kind = 'void' and new.subject ~ '^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$' then
    if not exists (select from steadybath.facts f where f.bath = new.bath and f.id = new.subject::uuid) then
      raise exception 'bath "%" has no earlier fact %', new.bath, new.subject
        using errcode = 'foreign_key_violation', schema = 'steadybath', table = 'facts', constraint = 'facts_void_target';
    end if;
  end if;
  return new;
end
$$;

create function steadybath.refuse_change() returns trigger language plpgsql as $$
begin
  raise exception 'facts are never changed or deleted; void a wrong one'
    using errcode = 'restrict_violation', schema = 'steadybath', table = 'facts', constraint = 'facts_append_only';
end
$$;

create trigger facts_enter before insert on steadybath.facts for each row execute function steadybath.enter_fact();
-- Once per statement stops what touches no row yet (truncate, on conflict do
-- update); once per row stops what reaches the rows through another table.
create trigger facts_refuse before update or delete or truncate on steadybath.facts for each statement execute function steadybath.refuse_change();
create trigger facts_refuse_row before update or delete on steadybath.facts for each row execute function steadybath.refuse_change();
-- Always: also where session_replication_role says that triggers are off.
alter table steadybath.facts enable always trigger facts_enter;
alter table steadybath.facts enable always trigger facts_refuse;
alter table steadybath.facts enable always trigger facts_refuse_row;

grant select, insert on steadybath.facts to steadybath_writer;
grant select on steadybath.facts to steadybath_reader;

-- Takes facts over with their entered, by and hash, in the order of the array.
-- It runs as the owner, so whoever may call it may do this one thing without
-- being the owner: the trigger still demands that every hash continues the chain.
create function steadybath.take_over(rows steadybath.facts[]) returns bigint language plpgsql security definer
  set search_path = pg_catalog, pg_temp as $$
declare
  entered_rows bigint;
begin
  insert into steadybath.facts (bath, time, kind, subject, value, unit, u, note, id, entered, by, more, hash)
    select r.bath, r.time, r.kind, r.subject, r.value, r.unit, r.u, r.note, r.id, r.entered, r.by, r.more, coalesce(r.hash, '')
      from unnest(rows) with ordinality as r(bath, number, time, kind, subject, value, unit, u, note, id, entered, by, more, hash, place)
      order by r.place;
  get diagnostics entered_rows = row_count;
  return entered_rows;
end
$$;
revoke execute on function steadybath.take_over(steadybath.facts[]) from public;
comment on function steadybath.take_over(steadybath.facts[]) is 'Enters facts with their own entered, by and hash, where these continue the bath''s chain; for the owner and for whom the owner allows it.';
