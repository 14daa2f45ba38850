alter table loan_hand_over_condition drop constraint loan_hand_over_condition_compared, drop column before_id, drop column examination_id;
alter table loan_condition drop column examination_id;
