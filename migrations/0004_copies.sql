-- Copies of the records: a restore brings advice back with who it was shown to
-- and when, as it does facts, and a book says when a copy was made or put in.

set local role steadybath_owner;

-- As in 0003, but that the owner may take advice over with its own entered and
-- by: it has no chain, so that only whoever may own the record may do that.
create or replace function steadybath.enter_advice() returns trigger language plpgsql
  set search_path = pg_catalog, pg_temp as $$
begin
  if current_user = 'steadybath_owner' and new.entered is not null and new."by" is not null then
    if new.entered > clock_timestamp() then
      raise exception 'advice about bath "%" is from the future', new.bath
        using errcode = 'integrity_constraint_violation', schema = 'steadybath', table = 'advice', constraint = 'advice_past';
    end if;
  else
    new.entered := clock_timestamp();
    new."by" := session_user;
  end if;
  if not exists (select from steadybath.facts f where f.bath = new.bath and f.hash = new.head) then
    raise exception 'bath "%" has no fact with the hash %', new.bath, new.head
      using errcode = 'foreign_key_violation', schema = 'steadybath', table = 'advice', constraint = 'advice_head_known';
  end if;
  return new;
end
$$;
comment on column steadybath.advice.entered is 'When it was shown; set by the database, and kept by a restore.';
comment on column steadybath.advice.by is 'Whom it was shown to: the database user of the session; set by the database, and kept by a restore.';

create table steadybath.copies (
  number bigint generated always as identity constraint copies_pkey primary key,
  at timestamptz not null,
  by text not null,
  what text collate "C" not null constraint copies_what check (what in ('backup', 'restore')),
  facts bigint not null constraint copies_facts check (facts >= 0),
  sha256 text collate "C" not null constraint copies_sha256 check (sha256 ~ '^[0-9a-f]{64}$')
);

comment on table steadybath.copies is 'When a backup of these records was made or one was restored into them, one row each; rows are added, never changed or deleted. It is about this database, and goes into no backup.';
comment on column steadybath.copies.at is 'When; set by the database.';
comment on column steadybath.copies.by is 'Who: the database user of the session; set by the database.';
comment on column steadybath.copies.what is 'backup: this many facts went into a file; restore: this many came out of one.';
comment on column steadybath.copies.sha256 is 'SHA-256 in hex of the whole file.';

create function steadybath.enter_copy() returns trigger language plpgsql
  set search_path = pg_catalog, pg_temp as $$
begin
  new.at := clock_timestamp();
  new."by" := session_user;
  if new.what = 'restore' and current_user <> 'steadybath_owner' then
    raise exception 'only the owner of the records restores them'
      using errcode = 'insufficient_privilege', schema = 'steadybath', table = 'copies';
  end if;
  return new;
end
$$;

create function steadybath.refuse_copy_change() returns trigger language plpgsql as $$
begin
  raise exception 'the book of copies is never changed'
    using errcode = 'restrict_violation', schema = 'steadybath', table = 'copies', constraint = 'copies_append_only';
end
$$;

create trigger copies_enter before insert on steadybath.copies for each row execute function steadybath.enter_copy();
create trigger copies_refuse before update or delete or truncate on steadybath.copies for each statement execute function steadybath.refuse_copy_change();
alter table steadybath.copies enable always trigger copies_enter;
alter table steadybath.copies enable always trigger copies_refuse;

grant select, insert on steadybath.copies to steadybath_writer;
grant select on steadybath.copies to steadybath_reader;
