drop table loan_reminder;
