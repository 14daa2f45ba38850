-- Spots on objects, what was measured there, and readings that were withdrawn.
create table measurement_spot (
    id uuid not null,
    object_id uuid not null,
    component_id uuid,
    name text not null,
    place text not null,
    photo_id uuid,
    x_px int,
    y_px int,
    made_at timestamptz not null,
    made_by uuid not null,
    constraint measurement_spot_pkey primary key (id),
    constraint measurement_spot_object_unique unique (object_id, id),
    constraint measurement_spot_object_fkey foreign key (object_id) references object (id),
    constraint measurement_spot_component_fkey foreign key (object_id, component_id) references component (object_id, id),
    constraint measurement_spot_photo_fkey foreign key (object_id, photo_id) references photo (object_id, id),
    constraint measurement_spot_made_by_fkey foreign key (made_by) references person (id),
    constraint measurement_spot_filled check (name <> '' and place <> ''),
    constraint measurement_spot_point_whole check ((x_px is null) = (y_px is null) and (x_px is null or photo_id is not null)),
    constraint measurement_spot_point_sane check (x_px between 0 and 100000 and y_px between 0 and 100000)
);
comment on table measurement_spot is 'append-only: places on objects where something is measured again and again.';
comment on column measurement_spot.component_id is 'Null: on the object as a whole.';
comment on column measurement_spot.x_px is 'On the upright photograph, in pixels from its left edge.';
create unique index measurement_spot_name_unique on measurement_spot (object_id, fold(name));
create index measurement_spot_component on measurement_spot (component_id) where component_id is not null;
create index measurement_spot_photo on measurement_spot (photo_id) where photo_id is not null;
create index measurement_spot_order on measurement_spot (object_id, fold(name) collate "C", id);
create trigger measurement_spot_append_only before update or delete on measurement_spot
    for each row execute function refuse_change();

create table measurement (
    id uuid not null,
    spot_id uuid not null,
    object_id uuid not null,
    quantity text not null,
    measured_on date not null,
    role text not null default '',
    value numeric,
    plus_minus numeric,
    n int,
    l numeric,
    a numeric,
    b numeric,
    sd_l numeric,
    sd_a numeric,
    sd_b numeric,
    bound_de numeric,
    illuminant text,
    observer text,
    geometry text not null default '',
    aperture_mm numeric,
    spectrum double precision[],
    method text not null default '',
    instrument text not null default '',
    source text not null default '',
    note text not null default '',
    examination_id uuid,
    recorded_at timestamptz not null,
    recorded_by uuid not null,
    constraint measurement_pkey primary key (id),
    constraint measurement_spot_fkey foreign key (object_id, spot_id) references measurement_spot (object_id, id),
    constraint measurement_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id),
    constraint measurement_recorded_by_fkey foreign key (recorded_by) references person (id),
    constraint measurement_quantity_known check (quantity in
        ('colour', 'ph', 'strip_level', 'thickness_mm', 'hardness_shore_a', 'hardness_shore_d', 'mass_g', 'dimension_mm')),
    constraint measurement_role_known check (role in ('', 'baseline', 'protected_area', 'specified')),
    constraint measurement_role_sourced check (role not in ('protected_area', 'specified') or source <> ''),
    constraint measurement_day_sane check (measured_on >= '1850-01-01' and measured_on <= (recorded_at at time zone 'UTC')::date + 2),
    constraint measurement_figure_given check (case quantity when 'colour'
        then value is null and plus_minus is null and l is not null and a is not null and b is not null and illuminant is not null and observer is not null
        else value is not null and l is null and a is null and b is null and illuminant is null and observer is null and spectrum is null end),
    constraint measurement_value_sane check (case quantity
        when 'ph' then value between 0 and 14
        when 'strip_level' then value in (0, 0.5, 1, 1.5, 2, 2.5, 3)
        when 'hardness_shore_a' then value between 0 and 100
        when 'hardness_shore_d' then value between 0 and 100
        when 'colour' then true
        else value > 0 end),
    constraint measurement_plus_minus_sane check (plus_minus >= 0),
    constraint measurement_n_sane check (n between 1 and 1000),
    constraint measurement_spread_whole check ((sd_l is null) = (sd_a is null) and (sd_l is null) = (sd_b is null)
        and (sd_l is null or n >= 2 and sd_l >= 0 and sd_a >= 0 and sd_b >= 0)),
    constraint measurement_conditions_known check (illuminant in ('D65', 'D50', 'A', 'C') and observer in ('2', '10')
        and geometry in ('', 'd8_specular_included', 'd8_specular_excluded', '45_0')),
    constraint measurement_spectrum_whole check (cardinality(spectrum) = 31)
);
comment on table measurement is 'append-only: readings of a quantity at a spot, with unit, method and uncertainty; a wrong one is withdrawn.';
comment on column measurement.plus_minus is 'Expanded uncertainty, k = 2.';
comment on column measurement.sd_l is 'Sample standard deviation of the n readings that l is the mean of.';
comment on column measurement.bound_de is 'Bound in units of ΔE*ab for what the deviations do not show: drift of the check tile, tolerance of a specified colour.';
comment on column measurement.spectrum is 'Reflectance at 400, 410 … 700 nm, from which l, a and b were computed.';
comment on column measurement.source is 'Where the protected area lies, or which document specifies the figure.';
create index measurement_spot_series on measurement (spot_id, quantity, measured_on desc, id desc);
create index measurement_object on measurement (object_id, measured_on desc, id desc);
create index measurement_examination on measurement (examination_id, measured_on desc, id desc) where examination_id is not null;
create trigger measurement_of_draft before insert on measurement
    for each row when (new.examination_id is not null) execute function examination_part_keeps();
create trigger measurement_append_only before update or delete on measurement
    for each row execute function refuse_change();

create table measurement_withdrawal (
    measurement_id uuid not null,
    at timestamptz not null,
    person_id uuid not null,
    reason text not null,
    constraint measurement_withdrawal_pkey primary key (measurement_id),
    constraint measurement_withdrawal_measurement_fkey foreign key (measurement_id) references measurement (id),
    constraint measurement_withdrawal_person_fkey foreign key (person_id) references person (id),
    constraint measurement_withdrawal_filled check (reason <> '')
);
comment on table measurement_withdrawal is 'append-only: readings that count no longer, and why.';
create trigger measurement_withdrawal_append_only before update or delete on measurement_withdrawal
    for each row execute function refuse_change();
