-- Outgoing loans: facts, venues, lines, assessments, approvals, agreements, signatures, insurance, hand-overs.
create table loan (
    id uuid not null,
    year int not null,
    number int not null,
    reference text collate "C" not null,
    state text not null,
    borrower_name text not null,
    borrower_address text not null default '',
    borrower_contact text not null default '',
    purpose text not null,
    from_on date not null,
    until_on date not null,
    requested_on date not null,
    terms text not null,
    transport text not null default '',
    courier text not null default '',
    version bigint not null default 1,
    created_at timestamptz not null,
    created_by uuid not null,
    created_by_name text not null,
    constraint loan_pkey primary key (id),
    constraint loan_number_unique unique (year, number),
    constraint loan_reference_unique unique (reference),
    constraint loan_created_by_fkey foreign key (created_by) references person (id),
    constraint loan_state_known check (state in ('request', 'assessing', 'agreed_in_principle', 'agreement_issued', 'agreement_signed', 'prepared',
        'dispatched', 'received', 'on_display', 'packing', 'returned', 'closed', 'declined', 'cancelled', 'recalled')),
    constraint loan_filled check (borrower_name <> '' and purpose <> '' and terms <> ''),
    constraint loan_ends_after_it_begins check (until_on >= from_on)
);
comment on table loan is 'Outgoing loans (rules L1-L3, L6). Facts change until the dispatch.';
comment on column loan.reference is 'As people write it: L.2026.3, the third of its year.';
comment on column loan.from_on is 'The day of leaving the house; until_on is the planned day of return.';
comment on column loan.borrower_address is 'With the contact, for the staff only (rule P3).';
create index loan_created on loan (created_at desc, id desc);
create index loan_state on loan (state, until_on);
create trigger loan_never_deleted before delete on loan
    for each row execute function refuse_delete();

create table loan_venue (
    id uuid not null,
    loan_id uuid not null,
    position int not null,
    name text not null,
    address text not null default '',
    from_on date not null,
    until_on date not null,
    current boolean not null default true,
    constraint loan_venue_pkey primary key (id),
    constraint loan_venue_loan_unique unique (loan_id, id),
    constraint loan_venue_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_venue_filled check (name <> ''),
    constraint loan_venue_ends_after_it_begins check (until_on >= from_on)
);
comment on table loan_venue is 'Houses where a loan is shown; one that is no longer part of the loan stays for what was assessed of it.';
create trigger loan_venue_never_deleted before delete on loan_venue
    for each row execute function refuse_delete();

create table loan_line (
    id uuid not null,
    loan_id uuid not null,
    position int not null,
    object_id uuid not null,
    value numeric(15, 2),
    currency char(3),
    insurer text not null default '',
    conditions jsonb not null default '{}',
    withdrawn_at timestamptz,
    withdrawn_by uuid,
    withdrawn_by_name text not null default '',
    withdrawn_reason text not null default '',
    constraint loan_line_pkey primary key (id),
    constraint loan_line_object_unique unique (object_id, id),
    constraint loan_line_position_unique unique (loan_id, position),
    constraint loan_line_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_line_object_fkey foreign key (object_id) references object (id),
    constraint loan_line_withdrawn_by_fkey foreign key (withdrawn_by) references person (id),
    constraint loan_line_value_positive check (value > 0),
    constraint loan_line_value_has_currency check ((value is null) = (currency is null)),
    constraint loan_line_currency_known check (currency ~ '^[A-Z]{3}$'),
    constraint loan_line_withdrawn_whole check ((withdrawn_at is null) = (withdrawn_by is null) and (withdrawn_at is null) = (withdrawn_reason = ''))
);
comment on table loan_line is 'What is lent (rule L1): an object, or the parts of it in loan_line_component. A line taken off a loan stays on record.';
comment on column loan_line.value is 'For whom rule P3 allows, with the insurer.';
create index loan_line_object on loan_line (object_id, loan_id);
create trigger loan_line_never_deleted before delete on loan_line
    for each row execute function refuse_delete();

create function loan_line_stays() returns trigger language plpgsql as $$
begin
    if new.loan_id <> old.loan_id or new.object_id <> old.object_id or new.position <> old.position
        or old.withdrawn_at is not null and new is distinct from old then
        raise exception 'what is lent on a line never changes' using errcode = 'restrict_violation', constraint = 'loan_line_stays';
    end if;
    return new;
end $$;
comment on function loan_line_stays() is 'What is lent on a line never changes; a line taken off a loan never comes back.';
create trigger loan_line_stays before update on loan_line
    for each row execute function loan_line_stays();

create table loan_line_component (
    line_id uuid not null,
    object_id uuid not null,
    component_id uuid not null,
    position int not null,
    called text not null,
    constraint loan_line_component_pkey primary key (line_id, component_id),
    constraint loan_line_component_line_fkey foreign key (object_id, line_id) references loan_line (object_id, id),
    constraint loan_line_component_component_fkey foreign key (object_id, component_id) references component (object_id, id)
);
comment on table loan_line_component is 'append-only: the parts lent on a line, as they were called; none means the whole object.';
create trigger loan_line_component_append_only before update or delete on loan_line_component
    for each row execute function refuse_change();

create function loan_part_comes_off() returns trigger language plpgsql as $$
begin
    if exists (select from component where id = new.component_id and removal = 'never') then
        raise exception 'what is never taken off is not lent as a part' using errcode = 'check_violation', constraint = 'loan_part_comes_off';
    end if;
    return new;
end $$;
comment on function loan_part_comes_off() is 'A component that is never taken off is not lent as a part (rule C2).';
create trigger loan_part_comes_off before insert on loan_line_component
    for each row execute function loan_part_comes_off();

create table loan_assessment (
    id uuid not null,
    line_id uuid not null,
    called text not null,
    verdict text not null,
    statement text not null,
    conditions text not null default '',
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_assessment_pkey primary key (id),
    constraint loan_assessment_line_unique unique (line_id, id),
    constraint loan_assessment_line_fkey foreign key (line_id) references loan_line (id),
    constraint loan_assessment_by_fkey foreign key (by_id) references person (id),
    constraint loan_assessment_verdict_known check (verdict in ('fit', 'fit_with_conditions', 'not_fit')),
    constraint loan_assessment_filled check (statement <> '' and (verdict <> 'fit_with_conditions' or conditions <> ''))
);
comment on table loan_assessment is 'append-only: whether what is on a line is fit to travel, by a conservator (rule L2); the last one counts.';
create index loan_assessment_line on loan_assessment (line_id, at);
create trigger loan_assessment_append_only before update or delete on loan_assessment
    for each row execute function refuse_change();

create table loan_consent (
    id uuid not null,
    line_id uuid not null,
    assessment_id uuid not null,
    called text not null,
    department text not null,
    capacity text not null,
    statement text not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_consent_pkey primary key (id),
    constraint loan_consent_assessment_unique unique (assessment_id),
    constraint loan_consent_assessment_fkey foreign key (line_id, assessment_id) references loan_assessment (line_id, id),
    constraint loan_consent_by_fkey foreign key (by_id) references person (id),
    constraint loan_consent_filled check (capacity <> '' and statement <> '')
);
comment on table loan_consent is 'append-only: consent of a head of department to lend what was found not fit (rule L2).';
create trigger loan_consent_append_only before update or delete on loan_consent
    for each row execute function refuse_change();

create table loan_condition (
    id uuid not null,
    line_id uuid not null,
    called text not null,
    examined_on date not null,
    text text not null,
    not_seen text not null default '',
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_condition_pkey primary key (id),
    constraint loan_condition_line_fkey foreign key (line_id) references loan_line (id),
    constraint loan_condition_by_fkey foreign key (by_id) references person (id),
    constraint loan_condition_filled check (text <> '')
);
comment on table loan_condition is 'append-only: signed statements of the outgoing condition (rule L3).';
comment on column loan_condition.examined_on is 'From this day the age of the statement runs, not from at, when it was signed.';
create index loan_condition_line on loan_condition (line_id, at);
create trigger loan_condition_append_only before update or delete on loan_condition
    for each row execute function refuse_change();

create table loan_condition_addendum (
    id uuid not null,
    condition_id uuid not null,
    text text not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_condition_addendum_pkey primary key (id),
    constraint loan_condition_addendum_condition_fkey foreign key (condition_id) references loan_condition (id),
    constraint loan_condition_addendum_by_fkey foreign key (by_id) references person (id),
    constraint loan_condition_addendum_filled check (text <> '')
);
comment on table loan_condition_addendum is 'append-only: corrections of condition statements; they do not make them younger.';
create index loan_condition_addendum_condition on loan_condition_addendum (condition_id, at);
create trigger loan_condition_addendum_append_only before update or delete on loan_condition_addendum
    for each row execute function refuse_change();

create table loan_approval (
    id uuid not null,
    loan_id uuid not null,
    department text not null,
    statement text not null,
    lines text[] not null,
    scope text not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_approval_pkey primary key (id),
    constraint loan_approval_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_approval_by_fkey foreign key (by_id) references person (id),
    constraint loan_approval_filled check (statement <> '' and department <> '' and length(scope) = 64)
);
comment on table loan_approval is 'append-only: curators'' consents to a loan, each for a department (rule L2).';
comment on column loan_approval.scope is 'SHA-256 of what was approved; when that changes the approval no longer counts.';
create index loan_approval_loan on loan_approval (loan_id, at);
create trigger loan_approval_append_only before update or delete on loan_approval
    for each row execute function refuse_change();

create function loan_two_sides() returns trigger language plpgsql as $$
declare the_loan uuid;
begin
    if tg_table_name = 'loan_approval' then
        the_loan := new.loan_id;
    else
        select loan_id into the_loan from loan_line where id = new.line_id;
    end if;
    if tg_table_name = 'loan_assessment' then
        if exists (select from loan_approval where loan_id = the_loan and by_id = new.by_id)
            or exists (select from loan_consent c join loan_line n on n.id = c.line_id where n.loan_id = the_loan and c.by_id = new.by_id) then
            raise exception 'who approved does not assess' using errcode = 'check_violation', constraint = 'loan_two_sides';
        end if;
    elsif exists (select from loan_assessment a join loan_line n on n.id = a.line_id where n.loan_id = the_loan and a.by_id = new.by_id) then
        raise exception 'who assessed does not approve' using errcode = 'check_violation', constraint = 'loan_two_sides';
    end if;
    return new;
end $$;
comment on function loan_two_sides() is 'One person does not approve a loan and assess for it (rule L2).';
create trigger loan_two_sides before insert on loan_approval for each row execute function loan_two_sides();
create trigger loan_two_sides before insert on loan_consent for each row execute function loan_two_sides();
create trigger loan_two_sides before insert on loan_assessment for each row execute function loan_two_sides();

create table loan_facilities (
    id uuid not null,
    loan_id uuid not null,
    venue_id uuid not null,
    venue text not null,
    report_on date not null,
    assessed_on date not null,
    summary text not null,
    exceptions jsonb not null default '[]',
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_facilities_pkey primary key (id),
    constraint loan_facilities_venue_fkey foreign key (loan_id, venue_id) references loan_venue (loan_id, id),
    constraint loan_facilities_by_fkey foreign key (by_id) references person (id),
    constraint loan_facilities_filled check (summary <> ''),
    constraint loan_facilities_assessed_after_report check (assessed_on >= report_on)
);
comment on table loan_facilities is 'append-only: conservators'' assessments of venues, with exceptions accepted or not (rule L3); the last one counts.';
create index loan_facilities_loan on loan_facilities (loan_id, at);
create trigger loan_facilities_append_only before update or delete on loan_facilities
    for each row execute function refuse_change();

create table loan_insurance (
    id uuid not null,
    loan_id uuid not null,
    kind text not null,
    insurer text not null,
    certificate text not null,
    sum numeric(15, 2) not null,
    currency char(3) not null,
    from_on date not null,
    until_on date not null,
    note text not null default '',
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    withdrawn_at timestamptz,
    withdrawn_by uuid,
    withdrawn_by_name text not null default '',
    withdrawn_reason text not null default '',
    constraint loan_insurance_pkey primary key (id),
    constraint loan_insurance_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_insurance_by_fkey foreign key (by_id) references person (id),
    constraint loan_insurance_withdrawn_by_fkey foreign key (withdrawn_by) references person (id),
    constraint loan_insurance_kind_known check (kind in ('insurance', 'indemnity')),
    constraint loan_insurance_filled check (insurer <> '' and certificate <> ''),
    constraint loan_insurance_sum_positive check (sum > 0),
    constraint loan_insurance_currency_known check (currency ~ '^[A-Z]{3}$'),
    constraint loan_insurance_ends_after_it_begins check (until_on >= from_on),
    constraint loan_insurance_withdrawn_whole check ((withdrawn_at is null) = (withdrawn_by is null) and (withdrawn_at is null) = (withdrawn_reason = ''))
);
comment on table loan_insurance is 'Certificates of insurance or state indemnity of a loan (rules L3, L6, P3); a wrong one is withdrawn.';
create index loan_insurance_loan on loan_insurance (loan_id, at);
create trigger loan_insurance_never_deleted before delete on loan_insurance
    for each row execute function refuse_delete();

create function loan_insurance_stays() returns trigger language plpgsql as $$
begin
    if old.withdrawn_at is not null or (new.loan_id, new.kind, new.insurer, new.certificate, new.sum, new.currency, new.from_on, new.until_on)
        is distinct from (old.loan_id, old.kind, old.insurer, old.certificate, old.sum, old.currency, old.from_on, old.until_on) then
        raise exception 'a certificate is withdrawn, not changed' using errcode = 'restrict_violation', constraint = 'loan_insurance_stays';
    end if;
    return new;
end $$;
comment on function loan_insurance_stays() is 'A certificate is withdrawn once, and never changed.';
create trigger loan_insurance_stays before update on loan_insurance
    for each row execute function loan_insurance_stays();

create table loan_agreement (
    id uuid not null,
    loan_id uuid not null,
    number int not null,
    issued_by uuid not null,
    issued_by_name text not null,
    issued_at timestamptz not null,
    sha256 text not null,
    basis text not null,
    content jsonb not null,
    constraint loan_agreement_pkey primary key (id),
    constraint loan_agreement_number_unique unique (loan_id, number),
    constraint loan_agreement_hash_unique unique (id, sha256),
    constraint loan_agreement_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_agreement_issued_by_fkey foreign key (issued_by) references person (id),
    constraint loan_agreement_number_positive check (number > 0),
    constraint loan_agreement_hashed check (length(sha256) = 64 and length(basis) = 64)
);
comment on table loan_agreement is 'append-only: versions of agreements as they were issued; sealed as loan_agreement.';
comment on column loan_agreement.basis is 'SHA-256 of what the parties agree on; when the loan no longer has it, another version is needed.';
create trigger loan_agreement_append_only before update or delete on loan_agreement
    for each row execute function refuse_change();

create table loan_signature (
    id uuid not null,
    agreement_id uuid not null,
    side text not null,
    name text not null,
    office text not null default '',
    signed_on date not null,
    signed_outside boolean not null,
    scan_sha256 text not null default '',
    sha256 text not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_signature_pkey primary key (id),
    constraint loan_signature_side_unique unique (agreement_id, side),
    constraint loan_signature_agreement_fkey foreign key (agreement_id, sha256) references loan_agreement (id, sha256),
    constraint loan_signature_by_fkey foreign key (by_id) references person (id),
    constraint loan_signature_side_known check (side in ('lender', 'borrower')),
    constraint loan_signature_filled check (name <> ''),
    constraint loan_signature_scan_hashed check (scan_sha256 = '' or scan_sha256 ~ '^[0-9a-f]{64}$'),
    constraint loan_signature_borrower_outside check (signed_outside = (side = 'borrower'))
);
comment on table loan_signature is 'append-only: signatures of both sides, each to the very text whose hash it names (rule L3).';
create trigger loan_signature_append_only before update or delete on loan_signature
    for each row execute function refuse_change();

create table loan_hand_over (
    id uuid not null,
    loan_id uuid not null,
    stage text not null,
    venue_id uuid,
    place text not null,
    given_by text not null,
    received_by text not null,
    carrier text not null default '',
    crates_and_seals text not null,
    happened_on date not null,
    authoriser_id uuid,
    authoriser_name text not null default '',
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_hand_over_pkey primary key (id),
    constraint loan_hand_over_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_hand_over_venue_fkey foreign key (loan_id, venue_id) references loan_venue (loan_id, id),
    constraint loan_hand_over_by_fkey foreign key (by_id) references person (id),
    constraint loan_hand_over_authoriser_fkey foreign key (authoriser_id) references person (id),
    constraint loan_hand_over_stage_known check (stage in ('dispatched', 'received', 'packing', 'returned')),
    constraint loan_hand_over_filled check (given_by <> '' and received_by <> '' and crates_and_seals <> ''),
    constraint loan_hand_over_exit_authorised check (stage <> 'dispatched' or authoriser_id is not null and carrier <> ''),
    constraint loan_hand_over_received_somewhere check ((stage = 'received') = (venue_id is not null))
);
comment on table loan_hand_over is 'append-only: hand-overs of a loan (rule L4); the one that is dispatched is the record of exit.';
create index loan_hand_over_loan on loan_hand_over (loan_id, at);
create trigger loan_hand_over_append_only before update or delete on loan_hand_over
    for each row execute function refuse_change();

create table loan_hand_over_condition (
    hand_over_id uuid not null,
    position int not null,
    line_id uuid not null,
    called text not null,
    found text not null,
    statement text not null default '',
    examined_by text not null,
    examined_on date not null,
    constraint loan_hand_over_condition_pkey primary key (hand_over_id, line_id),
    constraint loan_hand_over_condition_hand_over_fkey foreign key (hand_over_id) references loan_hand_over (id),
    constraint loan_hand_over_condition_line_fkey foreign key (line_id) references loan_line (id),
    constraint loan_hand_over_condition_found_known check (found in ('crate_only', 'unchanged', 'changed')),
    constraint loan_hand_over_condition_filled check (examined_by <> '' and (found <> 'changed' or statement <> ''))
);
comment on table loan_hand_over_condition is 'append-only: how each line was found at a hand-over.';
create trigger loan_hand_over_condition_append_only before update or delete on loan_hand_over_condition
    for each row execute function refuse_change();

create table loan_stage (
    id uuid not null,
    loan_id uuid not null,
    kind text not null,
    statement text not null,
    by_id uuid not null,
    by_name text not null,
    at timestamptz not null,
    constraint loan_stage_pkey primary key (id),
    constraint loan_stage_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_stage_by_fkey foreign key (by_id) references person (id),
    constraint loan_stage_kind_known check (kind in ('prepared', 'on_display', 'closed', 'declined', 'cancelled', 'recalled')),
    constraint loan_stage_filled check (statement <> '')
);
comment on table loan_stage is 'append-only: steps of a loan that are told in words: preparation, display, its endings.';
create index loan_stage_loan on loan_stage (loan_id, at);
create trigger loan_stage_append_only before update or delete on loan_stage
    for each row execute function refuse_change();

create function loan_may_leave() returns trigger language plpgsql as $$
begin
    if new.state <> 'dispatched' or old.state = 'dispatched' then
        return new;
    end if;
    if old.state <> 'prepared'
        or not exists (select from loan_line where loan_id = new.id and withdrawn_at is null)
        or exists (select from loan_line n where n.loan_id = new.id and n.withdrawn_at is null
            and (n.value is null or not exists (select from loan_condition c where c.line_id = n.id)))
        or (select count(*) from loan_signature s where s.agreement_id =
            (select id from loan_agreement where loan_id = new.id order by number desc limit 1)) <> 2 then
        raise exception 'not ready to leave' using errcode = 'check_violation', constraint = 'loan_may_leave';
    end if;
    if exists (select from loan_line n left join loan_line_component c on c.line_id = n.id
        where n.loan_id = new.id and n.withdrawn_at is null and stopped(n.object_id, c.component_id)) then
        raise exception 'a stop stands' using errcode = 'check_violation', constraint = 'loan_not_stopped';
    end if;
    return new;
end $$;
comment on function loan_may_leave() is 'What the database itself asks before a loan leaves (rules L3, H3); the program asks more.';
create trigger loan_may_leave before update of state on loan
    for each row execute function loan_may_leave();
