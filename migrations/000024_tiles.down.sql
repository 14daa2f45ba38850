drop table photo_tiles;
