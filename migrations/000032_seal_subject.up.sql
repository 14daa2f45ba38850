-- What seals a record has is asked by the record alone; found by the kind first it was looked for among all seals.
alter table seal drop constraint seal_subject_unique;
alter table seal add constraint seal_subject_unique unique (subject_id, kind);
