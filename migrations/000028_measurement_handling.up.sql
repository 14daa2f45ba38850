-- A reading for which hands were on the object logs its handling in the same act (rule H1).
alter table measurement add column handling_id uuid;
alter table measurement add constraint measurement_handling_fkey foreign key (object_id, handling_id) references handling (object_id, id) not valid;
alter table measurement validate constraint measurement_handling_fkey;
comment on column measurement.handling_id is 'The handling that was logged with the reading; null: without contact, or logged otherwise.';
