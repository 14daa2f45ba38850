-- The foundation: text folding for search, the refusal of change, events, seals, kept answers.
create extension if not exists pg_trgm;
create extension if not exists unaccent;
create extension if not exists btree_gist;

create function fold(x text) returns text
    language sql immutable strict parallel safe
    as $$ select lower(public.unaccent('public.unaccent'::regdictionary, x)) $$;
comment on function fold(text) is 'Text as it is compared in a search: without accents, in lower case.';

create function refuse_change() returns trigger language plpgsql as $$
begin
    raise exception 'rows of % are never changed or deleted', tg_table_name
        using errcode = 'restrict_violation', constraint = tg_table_name || '_append_only';
end $$;
comment on function refuse_change() is 'Trigger that keeps a table append-only (rule R2).';

create table event (
    id bigint generated always as identity,
    at timestamptz not null,
    actor_id uuid,
    area text not null,
    subject_id uuid not null,
    object_id uuid,
    kind text not null,
    change jsonb,
    constraint event_pkey primary key (id)
);
comment on table event is 'append-only: who did what to which record, when.';
comment on column event.actor_id is 'Null: the program itself, in a job.';
create index event_subject on event (subject_id, id);
create index event_object on event (object_id, id) where object_id is not null;
create index event_actor on event (actor_id, id) where actor_id is not null;
create trigger event_append_only before update or delete on event
    for each row execute function refuse_change();

create table seal (
    number bigint not null,
    id uuid not null,
    kind text not null,
    subject_id uuid not null,
    object_id uuid,
    at timestamptz not null,
    actor_id uuid not null,
    document text not null,
    document_sha256 bytea not null,
    previous bytea not null,
    hash bytea not null,
    constraint seal_pkey primary key (number),
    constraint seal_id_unique unique (id),
    constraint seal_subject_unique unique (kind, subject_id),
    constraint seal_previous_unique unique (previous),
    constraint seal_number_positive check (number > 0),
    constraint seal_hash_length check (length(document_sha256) = 32 and length(previous) = 32 and length(hash) = 32)
);
comment on table seal is 'append-only: sealed documents in canonical JSON, each chained to the one before (rules R1, R2).';
create index seal_object on seal (object_id, number) where object_id is not null;
create trigger seal_append_only before update or delete on seal
    for each row execute function refuse_change();

create table seal_origin (
    one boolean not null default true,
    origin bytea not null,
    made_at timestamptz not null,
    constraint seal_origin_pkey primary key (one),
    constraint seal_origin_one check (one),
    constraint seal_origin_length check (length(origin) = 32)
);
comment on table seal_origin is 'append-only: the random origin of this instance''s chain; the first seal follows it.';
insert into seal_origin (origin, made_at)
    values (sha256(convert_to(gen_random_uuid()::text || gen_random_uuid()::text, 'UTF8')), now());
create trigger seal_origin_append_only before update or delete on seal_origin
    for each row execute function refuse_change();

create table kept_answer (
    person_id uuid not null,
    method text not null,
    path text not null,
    key text not null,
    body_sha256 bytea not null,
    status int not null,
    headers jsonb not null,
    body bytea not null,
    at timestamptz not null,
    constraint kept_answer_pkey primary key (person_id, method, path, key)
);
comment on table kept_answer is 'Answers to requests with an Idempotency-Key, kept for 24 hours.';
create index kept_answer_at on kept_answer (at);
