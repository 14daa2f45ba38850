-- Tests of materials for mounts and cases.
create table material_test (
    id uuid not null,
    material_key text not null,
    kind text not null,
    product text not null,
    batch text not null,
    tested_on date not null,
    valid_until date not null,
    tested_by text not null,
    method text not null default '',
    silver text not null default '',
    copper text not null default '',
    lead text not null default '',
    ph numeric,
    colour_bleeds boolean not null default false,
    strip_level numeric,
    note text not null default '',
    recorded_by uuid not null,
    recorded_by_name text not null,
    recorded_at timestamptz not null,
    constraint material_test_pkey primary key (id),
    constraint material_test_material_fkey foreign key (material_key) references material (key),
    constraint material_test_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint material_test_filled check (product <> '' and batch <> '' and tested_by <> ''),
    constraint material_test_holds_a_year check (valid_until >= tested_on and valid_until <= tested_on + interval '12 months'),
    constraint material_test_coupons_known check (silver in ('', 'permanent', 'temporary', 'unsuitable')
        and copper in ('', 'permanent', 'temporary', 'unsuitable') and lead in ('', 'permanent', 'temporary', 'unsuitable')),
    constraint material_test_ph_sane check (ph between 0 and 14),
    constraint material_test_strip_known check (strip_level in (0, 1, 1.5, 2, 3)),
    constraint material_test_result_given check (case kind
        when 'accelerated_corrosion' then silver <> '' and copper <> '' and lead <> '' and ph is null and strip_level is null
        when 'ph' then ph is not null and strip_level is null and silver = '' and copper = '' and lead = ''
        when 'indicator_strip' then strip_level is not null and ph is null and silver = '' and copper = '' and lead = ''
        else false end)
);
comment on table material_test is 'append-only: tests of mount and case materials, of one product and batch (rule M4); the latest of a kind counts.';
comment on column material_test.strip_level is 'Step of an indicator strip: 0 blue to 3 yellow.';
create index material_test_material on material_test (material_key, tested_on, recorded_at);
create trigger material_test_append_only before update or delete on material_test
    for each row execute function refuse_change();
