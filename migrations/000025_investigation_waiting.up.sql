-- Questions that wait for a curator's consent, so that they are found without looking at all that are open.
alter table investigation add column consent_waiting boolean not null default false;
comment on column investigation.consent_waiting is 'The question is open and a consent is asked for and not decided.';
update investigation i set consent_waiting = true
    where i.ended_at is null and exists (select from investigation_consent c where c.investigation_id = i.id
        and not exists (select from investigation_consent_decision d where d.consent_id = c.id));
create index investigation_waiting on investigation (asked_at, id) where consent_waiting;
