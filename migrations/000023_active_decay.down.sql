drop trigger object_condition_changed_due on object_condition;
drop trigger object_condition_added_due on object_condition;
alter table damage_term drop column decay;
