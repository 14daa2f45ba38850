drop index finding_accepted;
