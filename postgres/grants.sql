-- What the running program's role may do: read and write rows, and nothing else. Run by the
-- owner after every migration; changes only what differs, so that a start with nothing to do
-- disturbs nobody.
--
-- A table whose comment begins with "append-only" can be read and added to.
do $$
declare
    app constant name := 'farthingale_app';
    home constant name := current_schema();
    item record;
begin
    if not exists (select from pg_roles where rolname = app) then
        raise warning 'role % does not exist; nothing is granted', app;
        return;
    end if;
    -- A login that owns nothing has nothing to give: the owner did it before.
    if not exists (select from pg_class where relnamespace = home::regnamespace and relowner = current_user::regrole) then
        return;
    end if;

    if not has_schema_privilege(app, home, 'usage') then
        execute format('grant usage on schema %I to %I', home, app);
    end if;
    if has_schema_privilege(app, home, 'create') then
        begin
            execute format('revoke create on schema %I from public, %I', home, app);
        exception when insufficient_privilege then
            raise warning 'role % may create things in schema %, and this login may not forbid it', app, home;
        end;
    end if;
    if not has_database_privilege(app, current_database(), 'connect, temporary') then
        execute format('grant connect, temporary on database %I to %I', current_database(), app);
    end if;

    for item in
        select c.oid::regclass as name, case c.relkind when 'S' then 'sequence' else 'table' end as kind, w.wanted
        from pg_class c
        cross join lateral (
            select case
                when c.relkind = 'S' then array['SELECT', 'USAGE']
                when c.relkind in ('v', 'm') then array['SELECT']
                when c.relname in ('schema_migrations', 'river_migration') then array['SELECT']
                when obj_description(c.oid, 'pg_class') ilike 'append-only%' then array['INSERT', 'SELECT']
                else array['DELETE', 'INSERT', 'SELECT', 'UPDATE']
            end as wanted) w
        cross join lateral (
            select coalesce(array_agg(a.privilege_type order by a.privilege_type collate "C"), '{}') as present
            from aclexplode(c.relacl) a
            where a.grantee = app::regrole) p
        where c.relnamespace = home::regnamespace
          and c.relkind in ('r', 'p', 'f', 'v', 'm', 'S')
          and p.present <> w.wanted
          and not exists (select from pg_depend d where d.classid = 'pg_class'::regclass and d.objid = c.oid and d.deptype = 'e')
    loop
        execute format('revoke all on %s %s from %I', item.kind, item.name, app);
        execute format('grant %s on %s %s to %I', array_to_string(item.wanted, ', '), item.kind, item.name, app);
    end loop;

    for item in
        select p.oid::regprocedure as name, case p.prokind when 'p' then 'procedure' else 'function' end as kind
        from pg_proc p
        where p.pronamespace = home::regnamespace and p.proowner = current_user::regrole
          and not has_function_privilege(app, p.oid, 'execute')
    loop
        execute format('grant execute on %s %s to %I', item.kind, item.name, app);
    end loop;

    -- Tables that appear between two migrations by hand.
    if not exists (
        select from pg_default_acl d, aclexplode(d.defaclacl) a
        where d.defaclrole = current_user::regrole and d.defaclnamespace = home::regnamespace
          and d.defaclobjtype = 'r' and a.grantee = app::regrole) then
        execute format('alter default privileges in schema %I grant select, insert, update, delete on tables to %I', home, app);
        execute format('alter default privileges in schema %I grant select, usage on sequences to %I', home, app);
        execute format('alter default privileges in schema %I grant execute on routines to %I', home, app);
    end if;
end
$$;
