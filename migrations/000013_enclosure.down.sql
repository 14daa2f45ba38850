drop table enclosure_recommendation_end;
drop table enclosure_recommendation;
drop table enclosure_tracer;
drop table enclosure_member;
drop table enclosure_space;
drop table enclosure;
