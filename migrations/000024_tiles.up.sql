-- Photographs cut into tiles of several sizes.
create table photo_tiles (
    photo_id uuid not null,
    sha256 text collate "C" not null,
    made_at timestamptz not null,
    constraint photo_tiles_pkey primary key (photo_id),
    constraint photo_tiles_photo_fkey foreign key (photo_id) references photo (id),
    constraint photo_tiles_file_fkey foreign key (sha256) references file (sha256)
);
comment on table photo_tiles is 'Which file holds the tiles of a photograph; made from the original, and made anew when it is not sound.';
create index photo_tiles_file on photo_tiles (sha256);
