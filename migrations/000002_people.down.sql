drop table sessions;
drop table sign_in_failure;
drop table token;
drop table person;
drop function refuse_delete();
