drop table recovery_code;
drop table second_factor;
drop table sign_in_session;
