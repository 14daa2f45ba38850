drop table photo_scale;
drop table photo_mark;
drop function photo_mark_keeps();
