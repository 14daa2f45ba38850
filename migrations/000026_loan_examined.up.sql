-- Loans rest on signed examinations: before they go out, and at every hand-over at which things are looked at.
alter table loan_condition add column examination_id uuid;
alter table loan_condition add constraint loan_condition_examination_fkey foreign key (examination_id) references examination (id) not valid;
alter table loan_condition validate constraint loan_condition_examination_fkey;
comment on column loan_condition.examination_id is 'The signed outgoing examination; null: stated in words, from before examinations were kept here.';

alter table loan_hand_over_condition add column examination_id uuid, add column before_id uuid;
alter table loan_hand_over_condition
    add constraint loan_hand_over_condition_examination_fkey foreign key (examination_id) references examination (id) not valid,
    add constraint loan_hand_over_condition_before_fkey foreign key (before_id) references examination (id) not valid,
    add constraint loan_hand_over_condition_compared check (before_id is null or examination_id is not null) not valid;
alter table loan_hand_over_condition validate constraint loan_hand_over_condition_examination_fkey;
alter table loan_hand_over_condition validate constraint loan_hand_over_condition_before_fkey;
alter table loan_hand_over_condition validate constraint loan_hand_over_condition_compared;
comment on column loan_hand_over_condition.examination_id is 'The examination made at this hand-over; null: a closed crate, or from before examinations were kept here.';
comment on column loan_hand_over_condition.before_id is 'The examination that it was compared with (rules L4, E2).';
