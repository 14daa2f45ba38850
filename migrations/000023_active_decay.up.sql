-- Which damage is the decay of the material itself, so that findings take it as active when it is seen to go on.
alter table damage_term add column decay boolean not null default false;
comment on column damage_term.decay is 'The material itself breaks down, and gives off what it gives off: not a tear or a stain.';

create trigger object_condition_added_due after insert on object_condition referencing new table as changed for each statement execute function finding_mark_rows();
create trigger object_condition_changed_due after update on object_condition referencing new table as changed for each statement execute function finding_mark_rows();
