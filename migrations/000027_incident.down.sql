drop table incident_answer;
drop table incident;
drop function incident_keeps();
