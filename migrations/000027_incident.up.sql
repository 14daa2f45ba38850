-- Incidents: what was found new or worse at a hand-over, and what was done about it.
create table incident (
    id uuid not null,
    object_id uuid not null,
    loan_id uuid not null,
    hand_over_id uuid not null,
    line_id uuid not null,
    stage text not null,
    called text not null,
    before_id uuid not null,
    examination_id uuid not null,
    found text not null,
    opened_at timestamptz not null,
    opened_by uuid not null,
    opened_by_name text not null,
    answered_at timestamptz,
    version bigint not null default 1,
    constraint incident_pkey primary key (id),
    constraint incident_condition_unique unique (hand_over_id, line_id),
    constraint incident_object_fkey foreign key (object_id) references object (id),
    constraint incident_loan_fkey foreign key (loan_id) references loan (id),
    constraint incident_line_fkey foreign key (object_id, line_id) references loan_line (object_id, id),
    constraint incident_condition_fkey foreign key (hand_over_id, line_id) references loan_hand_over_condition (hand_over_id, line_id),
    constraint incident_before_fkey foreign key (object_id, before_id) references examination (object_id, id),
    constraint incident_examination_fkey foreign key (object_id, examination_id) references examination (object_id, id),
    constraint incident_opened_by_fkey foreign key (opened_by) references person (id),
    constraint incident_two_examinations check (before_id <> examination_id),
    constraint incident_filled check (stage <> '' and called <> '' and found <> '')
);
comment on table incident is 'What was found new or worse at a hand-over of a loan (rule L4). Its facts never change; answers stand beside them.';
comment on column incident.before_id is 'The examination before, with which the one at the hand-over, examination_id, was compared.';
comment on column incident.answered_at is 'When a conservator first said what becomes of the object; null: that is waited for.';
create index incident_opened on incident (opened_at desc, id desc);
create index incident_open on incident (opened_at desc, id desc) where answered_at is null;
create index incident_object on incident (object_id, opened_at desc, id desc);
create index incident_loan on incident (loan_id, opened_at desc, id desc);
create trigger incident_never_deleted before delete on incident
    for each row execute function refuse_delete();

create table incident_answer (
    id uuid not null,
    incident_id uuid not null,
    position int not null,
    kind text not null,
    text text not null,
    at timestamptz not null,
    by_id uuid not null,
    by_name text not null,
    constraint incident_answer_pkey primary key (id),
    constraint incident_answer_position_unique unique (incident_id, position),
    constraint incident_answer_incident_fkey foreign key (incident_id) references incident (id),
    constraint incident_answer_by_fkey foreign key (by_id) references person (id),
    constraint incident_answer_kind_known check (kind in
        ('treatment_proposed', 'watched', 'no_action', 'borrower_told', 'insurer_told', 'claim_made')),
    constraint incident_answer_filled check (text <> '')
);
comment on table incident_answer is 'append-only: what was done about incidents; insurer_told and claim_made are for whom rule P3 allows.';
create trigger incident_answer_append_only before update or delete on incident_answer
    for each row execute function refuse_change();

create function incident_keeps() returns trigger language plpgsql as $$
begin
    if (to_jsonb(new) - array['version', 'answered_at']) <> (to_jsonb(old) - array['version', 'answered_at'])
        or old.answered_at is not null and new.answered_at is distinct from old.answered_at
        or old.answered_at is null and new.answered_at is not null and not exists (
            select from incident_answer a where a.incident_id = new.id and a.kind in ('treatment_proposed', 'watched', 'no_action')) then
        raise exception 'an incident stays as it was opened' using errcode = 'restrict_violation', constraint = 'incident_stays';
    end if;
    return new;
end $$;
comment on function incident_keeps() is 'What an incident says never changes; it is answered once, by an answer about the object.';
create trigger incident_stays before update on incident
    for each row execute function incident_keeps();
