-- Accepted findings are few among those that hold; a list of them alone does not look at all the others of its pair.
create index finding_accepted on finding (severity desc, id desc) where gone_at is null and accepted_until is not null;
