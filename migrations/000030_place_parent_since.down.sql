drop index place_parent_since;
