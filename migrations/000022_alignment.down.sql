drop table photo_alignment;
