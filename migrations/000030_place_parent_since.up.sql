-- Where a place stood at a time is asked for many places at once; the index that keeps stays apart is slow to ask anew for each.
create index place_parent_since on place_parent (place_id, lower(during) desc);
