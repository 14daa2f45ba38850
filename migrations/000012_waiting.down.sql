drop function words_found(tsquery);
drop function words_expected(tsquery);
drop index handling_started;
create index handling_started on handling (started_at desc, id desc);
drop index work_emergency;
drop index treatment_charge;
drop index treatment_curator;
