create table sign_in_session (
    id uuid not null,
    person_id uuid not null,
    begun_at timestamptz not null,
    last_used_at timestamptz not null,
    browser text not null default '',
    constraint sign_in_session_pkey primary key (id),
    constraint sign_in_session_person_fkey foreign key (person_id) references person (id),
    constraint sign_in_session_used_after_begin check (last_used_at >= begun_at)
);
comment on table sign_in_session is 'Who is signed in on the pages, and since when. The cookie''s secret is in sessions, which names one of these.';
comment on column sign_in_session.last_used_at is 'To the minute.';
comment on column sign_in_session.browser is 'What the browser says it is, in plain words.';
create index sign_in_session_person on sign_in_session (person_id, last_used_at desc);

create table second_factor (
    person_id uuid not null,
    seed_sealed bytea not null,
    begun_at timestamptz not null,
    confirmed_at timestamptz,
    last_step bigint not null default 0,
    constraint second_factor_pkey primary key (person_id),
    constraint second_factor_person_fkey foreign key (person_id) references person (id),
    constraint second_factor_confirmed_after_begin check (confirmed_at >= begun_at)
);
comment on table second_factor is 'The seed of a person''s one-time codes (RFC 6238), asked for at sign-in once a first code has confirmed it.';
comment on column second_factor.seed_sealed is 'Nonce and AES-256-GCM text under the key of the site, bound to the person''s id; the key is not in the database.';
comment on column second_factor.last_step is 'The last time step whose code was used; each is taken once.';

create table recovery_code (
    person_id uuid not null,
    code_sha256 bytea not null,
    used_at timestamptz,
    constraint recovery_code_pkey primary key (person_id, code_sha256),
    constraint recovery_code_person_fkey foreign key (person_id) references second_factor (person_id) on delete cascade
);
comment on table recovery_code is 'Codes that stand in once for a lost second factor; only their hashes are kept, of 120 random bits each.';
