drop table notice_reader;
drop function notice_is_read_once();
drop table notice;
