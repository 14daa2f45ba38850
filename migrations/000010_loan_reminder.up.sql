-- Which reminders of loans have been given.
create table loan_reminder (
    loan_id uuid not null,
    what text not null,
    day date not null,
    within int not null,
    at timestamptz not null,
    constraint loan_reminder_pkey primary key (loan_id, what, day, within),
    constraint loan_reminder_loan_fkey foreign key (loan_id) references loan (id),
    constraint loan_reminder_what_known check (what in ('end', 'insurance')),
    constraint loan_reminder_within_known check (within in (0, 1, 7, 30))
);
comment on table loan_reminder is 'append-only: reminders given of the end of a loan or of its insurance, each once (rule L6).';
comment on column loan_reminder.within is 'Days before the day; 0: it is past.';
create trigger loan_reminder_append_only before update or delete on loan_reminder
    for each row execute function refuse_change();
