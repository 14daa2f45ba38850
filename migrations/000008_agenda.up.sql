-- Notices and who has read them.
create table notice (
    id uuid not null,
    at timestamptz not null,
    area text not null,
    subject_id uuid not null,
    object_id uuid,
    roles text[] not null default '{}',
    department text not null default '',
    text text not null,
    constraint notice_pkey primary key (id),
    constraint notice_object_fkey foreign key (object_id) references object (id),
    constraint notice_filled check (area <> '' and text <> '')
);
comment on table notice is 'append-only: what people must hear of at once (rules H2, T6, T11, E5).';
comment on column notice.roles is 'Whom it was meant for; notice_reader says whom it reached.';
create index notice_subject on notice (subject_id, at);
create index notice_object on notice (object_id, at) where object_id is not null;
create trigger notice_append_only before update or delete on notice
    for each row execute function refuse_change();

create table notice_reader (
    notice_id uuid not null,
    person_id uuid not null,
    read_at timestamptz,
    constraint notice_reader_pkey primary key (notice_id, person_id),
    constraint notice_reader_notice_fkey foreign key (notice_id) references notice (id),
    constraint notice_reader_person_fkey foreign key (person_id) references person (id)
);
comment on table notice_reader is 'Whom a notice was given to, and when they read it.';
create index notice_reader_person on notice_reader (person_id, notice_id desc);
create index notice_reader_unread on notice_reader (person_id, notice_id desc) where read_at is null;

create function notice_is_read_once() returns trigger language plpgsql as $$
begin
    if tg_op = 'DELETE' or old.read_at is not null or new.notice_id <> old.notice_id or new.person_id <> old.person_id then
        raise exception 'that a notice was given and read stays' using errcode = 'restrict_violation', constraint = 'notice_is_read_once';
    end if;
    return new;
end $$;
comment on function notice_is_read_once() is 'Keeps whom a notice was given to, and the time when it was read.';
create trigger notice_is_read_once before update or delete on notice_reader
    for each row execute function notice_is_read_once();
