create table person (
    id uuid not null,
    name text not null,
    sign_in_name text not null,
    email text not null default '',
    roles text[] not null,
    departments text[] not null default '{}',
    sees_values boolean not null default false,
    password_hash text,
    closed_at timestamptz,
    version bigint not null default 1,
    created_at timestamptz not null,
    constraint person_pkey primary key (id),
    constraint person_roles_known check (
        roles <@ array['conservator','curator','registrar','mount_maker','technician','reader','steward'] and cardinality(roles) > 0),
    constraint person_name_filled check (name <> '' and sign_in_name <> '')
);
comment on table person is 'Everybody who acts (rule P1). A person who leaves is closed, never deleted (P4).';
comment on column person.departments is 'Curator for these departments.';
comment on column person.sees_values is 'Granted by a steward: sees values, sensitive places and lenders (P3).';
comment on column person.password_hash is 'argon2id in its standard text form; null: cannot sign in by password.';
create unique index person_sign_in_name_unique on person (lower(sign_in_name));

create function refuse_delete() returns trigger language plpgsql as $$
begin
    raise exception 'rows of % are never deleted', tg_table_name
        using errcode = 'restrict_violation', constraint = tg_table_name || '_never_deleted';
end $$;
comment on function refuse_delete() is 'Trigger for records that are closed or ended, never deleted.';
create trigger person_never_deleted before delete on person
    for each row execute function refuse_delete();

create table token (
    id uuid not null,
    person_id uuid not null,
    name text not null,
    secret_sha256 bytea not null,
    scopes text[] not null,
    created_at timestamptz not null,
    expires_at timestamptz not null,
    revoked_at timestamptz,
    last_used_at timestamptz,
    constraint token_pkey primary key (id),
    constraint token_person_fkey foreign key (person_id) references person (id),
    constraint token_secret_unique unique (secret_sha256),
    constraint token_scopes_filled check (cardinality(scopes) > 0),
    constraint token_expires_later check (expires_at > created_at)
);
comment on table token is 'Personal tokens for the API; only the hash of the secret is kept.';
create index token_person on token (person_id, created_at desc);

create table sign_in_failure (
    sign_in_name text not null,
    address text not null,
    at timestamptz not null
);
comment on table sign_in_failure is 'Failed sign-ins of the last hours, for throttling; swept daily.';
create index sign_in_failure_name on sign_in_failure (sign_in_name, at);
create index sign_in_failure_address on sign_in_failure (address, at);

create table sessions (
    token text not null,
    data bytea not null,
    expiry timestamptz not null,
    constraint sessions_pkey primary key (token)
);
comment on table sessions is 'Sessions of the pages; the token is kept as its hash.';
create index sessions_expiry on sessions (expiry);
