alter table seal drop constraint seal_subject_unique;
alter table seal add constraint seal_subject_unique unique (kind, subject_id);
