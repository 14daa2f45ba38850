-- How photographs of one object lie over each other, so that two examinations can be compared.
create table photo_alignment (
    id uuid not null,
    object_id uuid not null,
    before_id uuid not null,
    after_id uuid not null,
    kind text not null,
    ties jsonb not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint photo_alignment_pkey primary key (id),
    constraint photo_alignment_before_fkey foreign key (object_id, before_id) references photo (object_id, id),
    constraint photo_alignment_after_fkey foreign key (object_id, after_id) references photo (object_id, id),
    constraint photo_alignment_by_fkey foreign key (by_id) references person (id),
    constraint photo_alignment_two check (before_id <> after_id),
    constraint photo_alignment_kind_known check (kind in ('similarity', 'affine')),
    constraint photo_alignment_ties_some check (jsonb_typeof(ties) = 'array' and jsonb_array_length(ties) between 2 and 4)
);
comment on table photo_alignment is 'append-only: pairs of points that lay a later photograph over an earlier one (rule E2); the last of a pair counts.';
create index photo_alignment_pair on photo_alignment (before_id, after_id, at desc, id desc);
create trigger photo_alignment_append_only before update or delete on photo_alignment
    for each row execute function refuse_change();
