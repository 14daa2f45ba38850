package postgres

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"log/slog"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

//go:embed grants.sql
var grantsSQL string

// Grants is the SQL that gives AppRole its rights.
func Grants() string { return grantsSQL }

// ensureAppRole makes AppRole when it is absent. Roles belong to the whole cluster, so two
// databases may ask for it at the same moment. A login that may not make roles goes without.
func ensureAppRole(ctx context.Context, conn *pgx.Conn, login bool) error {
	kind := "nologin"
	if login {
		kind = "login"
	}
	var present, able bool
	err := conn.QueryRow(ctx, `
		select exists (select from pg_roles where rolname = $1),
			(select rolsuper or rolcreaterole from pg_roles where rolname = current_user)`, AppRole).Scan(&present, &able)
	if err != nil {
		return fmt.Errorf("look for role %s: %w", AppRole, err)
	}
	if present || !able {
		return nil
	}
	_, err = conn.Exec(ctx, "create role "+AppRole+" "+kind)
	if pgErr := new(pgconn.PgError); errors.As(err, &pgErr) && (pgErr.Code == "42710" || pgErr.Code == "23505") {
		return nil // another copy was quicker
	}
	if err != nil {
		return fmt.Errorf("make role %s: %w", AppRole, err)
	}
	return nil
}

// grant gives AppRole what it needs and takes what it must not have.
func grant(ctx context.Context, conn *pgx.Conn) error {
	if _, err := conn.Exec(ctx, grantsSQL); err != nil {
		return fmt.Errorf("grant rights to %s: %w", AppRole, err)
	}
	return nil
}

// roleToAssume tells whether sessions of this login should become AppRole, and warns when
// the program would run with more power than it should have.
func roleToAssume(ctx context.Context, config *pgx.ConnConfig, log *slog.Logger) (bool, error) {
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return false, fmt.Errorf("connect to the database: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	const question = `
		select current_user, exists (select from pg_roles where rolname = $1),
			coalesce((select pg_has_role(current_user, oid, 'member') from pg_roles where rolname = $1), false)`
	var user string
	var exists, member bool
	if err := conn.QueryRow(ctx, question, AppRole).Scan(&user, &exists, &member); err != nil {
		return false, fmt.Errorf("ask for role %s: %w", AppRole, err)
	}
	if user == AppRole {
		return false, nil
	}
	// Membership alone is not enough since Postgres 16, so it is tried.
	if exists && member {
		if _, err := conn.Exec(ctx, "set role "+AppRole); err == nil {
			return true, nil
		}
	}
	if exists {
		// A login that made the role may have the right to admit itself.
		_, granted := conn.Exec(ctx, "grant "+AppRole+" to "+pgx.Identifier{user}.Sanitize())
		_, set := conn.Exec(ctx, "set role "+AppRole)
		if granted == nil && set == nil {
			return true, nil
		}
	}
	log.Warn("the program runs with the rights of its login: nothing but triggers keeps signed records from being changed. "+
		"Make the role and let the login assume it", "login", user, "role", AppRole,
		"sql", "create role "+AppRole+"; grant "+AppRole+" to "+pgx.Identifier{user}.Sanitize())
	return false, nil
}
