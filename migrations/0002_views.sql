-- Views for people with psql. Voided facts are left out of all but the first,
-- which says what is voided; units are in the columns' names.

set local role steadybath_owner;

-- A void may itself be voided, by a later one. Since a void only names earlier
-- facts, going through them from the last to the first settles each before it
-- counts.
create function steadybath.voided() returns table (bath text, id uuid, voided_by bigint) language plpgsql stable
  set search_path = pg_catalog, pg_temp as $$
declare
  v record;
  current_bath text;
  gone jsonb;
begin
  for v in
    select f.bath, f.number, f.id, f.subject from steadybath.facts f where f.kind = 'void' order by f.bath desc, f.number desc
  loop
    if current_bath is distinct from v.bath then
      return query select current_bath, g.key::uuid, g.value::bigint from jsonb_each_text(gone) g;
      current_bath := v.bath;
      gone := '{}';
    end if;
    if not gone ? v.id::text then
      gone := gone || jsonb_build_object(v.subject, v.number);
    end if;
  end loop;
  return query select current_bath, g.key::uuid, g.value::bigint from jsonb_each_text(gone) g;
end
$$;
comment on function steadybath.voided() is 'Facts that do not stand, with the number of the void that says so (the first, where several do).';

create view steadybath.standing_facts as
  select f.bath, f.number, f.time, f.kind, f.subject, f.value, f.unit, f.u, f.note, f.id, f.entered, f.by, f.more, f.hash
  from steadybath.facts f
  where f.kind <> 'void' and not exists (select from steadybath.voided() v where v.bath = f.bath and v.id = f.id);
comment on view steadybath.standing_facts is 'Facts without those voided and without the voids.';

-- Exact factors of US customary units: NIST Handbook 44 (2023), Appendix C, from memory:
-- 1 lb = 453.59237 g, 1 US gal = 231 in3 = 3.785411784 L.
create function steadybath.to_g(value numeric, unit text) returns numeric language sql immutable parallel safe
  return value * case unit when 'g' then 1 when 'kg' then 1000 when 'mg' then 0.001 when 'lb' then 453.59237 when 'oz' then 28.349523125 end;
create function steadybath.to_l(value numeric, unit text) returns numeric language sql immutable parallel safe
  return value * case unit when 'L' then 1 when 'mL' then 0.001 when 'uL' then 0.000001 when 'gal' then 3.785411784 when 'fl oz' then 0.0295735295625 end;
create function steadybath.to_ah(value numeric, unit text) returns numeric language sql immutable parallel safe
  return case unit when 'Ah' then value when 'kAh' then value * 1000 when 'mAh' then value * 0.001 when 'Amin' then value / 60 end;
create function steadybath.to_g_per_l(value numeric, unit text) returns numeric language sql immutable parallel safe
  return case unit when 'g/L' then value when 'mg/L' then value * 0.001 when 'oz/gal' then value * 28.349523125 / 3.785411784 end;
create function steadybath.to_ml_per_l(value numeric, unit text) returns numeric language sql immutable parallel safe
  return case unit when 'mL/L' then value when 'vol%' then value * 10 when 'fl oz/gal' then value * 1000 / 128 end;
create function steadybath.to_mol_per_l(value numeric, unit text) returns numeric language sql immutable parallel safe
  return case unit when 'mol/L' then value when 'mmol/L' then value * 0.001 end;

create view steadybath.assays as
  select f.bath, f.number, f.time, f.subject as measured,
    steadybath.to_g_per_l(f.value, f.unit) as value_g_per_l,
    steadybath.to_g_per_l(f.u, f.unit) as u_g_per_l,
    steadybath.to_ml_per_l(f.value, f.unit) as value_ml_per_l,
    steadybath.to_ml_per_l(f.u, f.unit) as u_ml_per_l,
    steadybath.to_mol_per_l(f.value, f.unit) as value_mol_per_l,
    steadybath.to_mol_per_l(f.u, f.unit) as u_mol_per_l,
    case when f.unit = 'pH' then f.value end as ph,
    case f.unit when 'degC' then f.value when 'degF' then (f.value - 32) * 5 / 9 end as temperature_degc,
    case when f.unit = 'g/cm3' then f.value end as density_g_per_cm3,
    f.by, f.note
  from steadybath.standing_facts f
  where f.kind = 'assay'
  order by f.bath, f.time, f.number;
comment on view steadybath.assays is 'Readings that stand, each in the column of its unit; u is the standard uncertainty independent of the titrant lot.';

-- The zone of a bath, UTC where it names none that this server knows: a view
-- must not fail for one row.
create function steadybath.zone(bath_name text) returns text language plpgsql stable set search_path = pg_catalog, pg_temp as $$
declare
  named text;
begin
  select f.more ->> 'zone' into named from steadybath.facts f where f.bath = bath_name and f.number = 1;
  perform now() at time zone named;
  return coalesce(named, 'UTC');
exception when invalid_parameter_value then
  return 'UTC';
end
$$;

create view steadybath.amp_hours_by_day as
  with zones as materialized (
    select f.bath, steadybath.zone(f.bath) as zone from steadybath.facts f where f.kind = 'bath'
  ), charges as (
    select f.bath, f.time, steadybath.to_ah(f.value, f.unit) as plated_ah, null::numeric as metered_ah
    from steadybath.standing_facts f where f.kind = 'plate'
    union all
    -- A meter shows a total: what counts is the difference to the reading before
    -- it. One that went back counts nothing, since nobody knows how far it ran.
    select m.bath, m.time, null, case
        when m.reset then m.shown_ah
        when m.shown_ah >= m.before_ah then m.shown_ah - m.before_ah
      end
    from (
      select f.bath, f.time, steadybath.to_ah(f.value, f.unit) as shown_ah, coalesce(f.more ->> 'reset', '') = 'true' as reset,
        lag(steadybath.to_ah(f.value, f.unit)) over (partition by f.bath, f.subject order by f.time, f.id) as before_ah
      from steadybath.standing_facts f where f.kind = 'meter'
    ) m
  )
  select c.bath, (c.time at time zone z.zone)::date as day,
    coalesce(sum(c.plated_ah), 0) as plated_ah, count(c.plated_ah) as runs, coalesce(sum(c.metered_ah), 0) as metered_ah
  from charges c join zones z on z.bath = c.bath
  group by 1, 2
  order by 1, 2;
comment on view steadybath.amp_hours_by_day is 'Charge by day in the zone of the bath: of plating runs as entered, and of amp-hour meters as the difference between readings, counted on the later one''s day. The two may be the same charge twice: do not add them.';

create view steadybath.additions_by_material as
  select f.bath, f.subject as material, count(*) as additions,
    sum(steadybath.to_g(f.value, f.unit)) as amount_g, sum(steadybath.to_l(f.value, f.unit)) as amount_l,
    min(f.time) as first_time, max(f.time) as last_time
  from steadybath.standing_facts f
  where f.kind = 'add'
  group by f.bath, f.subject
  order by f.bath, f.subject;
comment on view steadybath.additions_by_material is 'What was put into each bath: masses in g, volumes in L.';

grant select on steadybath.standing_facts, steadybath.assays, steadybath.amp_hours_by_day, steadybath.additions_by_material
  to steadybath_writer, steadybath_reader;
