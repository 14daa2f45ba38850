alter table object drop constraint object_face_photo_fkey;
drop table photo_component;
drop table photo;
drop function file_needed(text);
drop table file;
