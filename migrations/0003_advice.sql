-- What was advised, on what estimate, by which version: kept when a plan was
-- shown to somebody who may act on it. Advice is no fact about a bath, so it has
-- no place in the chain; it names the fact that the chain ended with.

set local role steadybath_owner;

create table steadybath.advice (
  id uuid not null default gen_random_uuid() constraint advice_pkey primary key,
  bath text collate "C" not null constraint advice_bath check (bath <> ''),
  at timestamptz not null,
  entered timestamptz not null,
  by text not null,
  version text not null,
  head text collate "C" not null constraint advice_head check (head ~ '^[0-9a-f]{64}$'),
  plan json not null constraint advice_plan check (json_typeof(plan) = 'object'),
  state json not null constraint advice_state check (json_typeof(state) = 'object')
);
create index advice_entered on steadybath.advice (bath, entered);

comment on table steadybath.advice is 'Plans that were shown to somebody who may write, one row each; rows are added, never changed or deleted.';
comment on column steadybath.advice.at is 'The moment that the plan is for.';
comment on column steadybath.advice.entered is 'When it was shown; set by the database.';
comment on column steadybath.advice.by is 'Whom it was shown to: the database user of the session; set by the database.';
comment on column steadybath.advice.version is 'The version of the tool that made it.';
comment on column steadybath.advice.head is 'Hash of the last fact that it rests on.';
comment on column steadybath.advice.plan is 'The plan, as dose --json prints it.';
comment on column steadybath.advice.state is 'The estimate it rests on, as state --json prints it.';

create function steadybath.enter_advice() returns trigger language plpgsql
  set search_path = pg_catalog, pg_temp as $$
begin
  new.entered := clock_timestamp();
  new."by" := session_user;
  if not exists (select from steadybath.facts f where f.bath = new.bath and f.hash = new.head) then
    raise exception 'bath "%" has no fact with the hash %', new.bath, new.head
      using errcode = 'foreign_key_violation', schema = 'steadybath', table = 'advice', constraint = 'advice_head_known';
  end if;
  return new;
end
$$;

create function steadybath.refuse_advice_change() returns trigger language plpgsql as $$
begin
  raise exception 'advice that was given is never changed or deleted'
    using errcode = 'restrict_violation', schema = 'steadybath', table = 'advice', constraint = 'advice_append_only';
end
$$;

create trigger advice_enter before insert on steadybath.advice for each row execute function steadybath.enter_advice();
create trigger advice_refuse before update or delete or truncate on steadybath.advice for each statement execute function steadybath.refuse_advice_change();
alter table steadybath.advice enable always trigger advice_enter;
alter table steadybath.advice enable always trigger advice_refuse;

grant select, insert on steadybath.advice to steadybath_writer;
grant select on steadybath.advice to steadybath_reader;
