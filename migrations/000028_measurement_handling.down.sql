alter table measurement drop column handling_id;
