drop index investigation_waiting;
alter table investigation drop column consent_waiting;
