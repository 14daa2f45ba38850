-- Copies of the program remember for a moment who bears a token. They are told when that is no longer so.
create function tell_bearer() returns trigger language plpgsql as $$
begin
    perform pg_notify('bearer', '');
    return null;
end $$;
comment on function tell_bearer() is 'Tells every copy of the program that what it remembers of the bearers of tokens may no longer be so.';
create trigger token_tell after update of person_id, secret_sha256, scopes, expires_at, revoked_at or delete on token
    for each statement execute function tell_bearer();
create trigger person_tell after update of name, roles, departments, sees_values, closed_at or delete on person
    for each statement execute function tell_bearer();
