drop table measurement_withdrawal;
drop table measurement;
drop table measurement_spot;
