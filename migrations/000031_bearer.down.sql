drop trigger person_tell on person;
drop trigger token_tell on token;
drop function tell_bearer();
