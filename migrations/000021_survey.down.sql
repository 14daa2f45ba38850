drop table survey_object;
drop table survey_stratum;
drop table survey;
drop function survey_object_keeps();
