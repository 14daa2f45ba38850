package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/people"
)

var peopleWords = map[string]*domain.Error{
	"person_sign_in_name_unique": {Kind: domain.KindConflict, Code: "sign_in_name_taken", Message: "Somebody else signs in with this name. Choose another."},
	"person_never_deleted":       {Kind: domain.KindRefused, Code: "P4", Message: "A person is closed, never deleted: the name stays on what was signed."},
	"person_roles_known":         {Kind: domain.KindInvalid, Code: "invalid", Message: "Give at least one of the known roles."},
	"person_name_filled":         {Kind: domain.KindInvalid, Code: "invalid", Message: "A person needs a name and a sign-in name."},
	"person_pkey":                refusedByDatabase("This person exists already."),
	"token_pkey":                 refusedByDatabase("This token exists already."),
	"token_person_fkey":          refusedByDatabase("There is no such person."),
	"token_secret_unique":        refusedByDatabase("This token exists already."),
	"token_scopes_filled":        {Kind: domain.KindInvalid, Code: "invalid", Message: "Say what the token may do."},
	"token_expires_later":        {Kind: domain.KindInvalid, Code: "invalid", Message: "A token expires after it is made."},
	"sessions_pkey":              refusedByDatabase("This session exists already."),

	"sign_in_session_pkey":                refusedByDatabase("This session exists already."),
	"sign_in_session_person_fkey":         refusedByDatabase("There is no such person."),
	"sign_in_session_used_after_begin":    refusedByDatabase("A session is used after it begins."),
	"second_factor_pkey":                  refusedByDatabase("This person has a second factor already."),
	"second_factor_person_fkey":           refusedByDatabase("There is no such person."),
	"second_factor_confirmed_after_begin": refusedByDatabase("A second factor is confirmed after it is begun."),
	"recovery_code_pkey":                  refusedByDatabase("This recovery code exists already."),
	"recovery_code_person_fkey":           refusedByDatabase("There is no second factor that this code could stand for."),
}

// People keeps persons and tokens; it implements people.Store.
type People struct {
	db      *DB
	bearers bearers
}

// NewPeople makes the store.
func NewPeople(db *DB) *People {
	return &People{db: db, bearers: bearers{kept: map[string]keptBearer{}, lasts: bearerLasts}}
}

var _ people.Store = (*People)(nil)

const personColumns = `id, name, sign_in_name, email, roles, departments, sees_values, password_hash, closed_at, version, created_at`

// Add writes a new person.
func (s *People) Add(ctx context.Context, p *people.Person) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into person (id, name, sign_in_name, email, roles, departments, sees_values, password_hash, version, created_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			p.ID, p.Name, p.SignInName, p.Email, p.Roles, p.Departments, p.SeesValues, p.PasswordHash, p.Version, p.CreatedAt)
		if err != nil {
			return fault(err, "add person %s", p.ID)
		}
		return s.db.addEvents(ctx, p.Events()...)
	})
}

// Update changes a person under lock.
func (s *People) Update(ctx context.Context, id domain.ID, version int64, change func(*people.Person) error) (*people.Person, error) {
	var p people.Person
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, _ := tx.Query(ctx, `select `+personColumns+` from person where id = $1 for update`, id)
		var err error
		if p, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[people.Person]); err != nil {
			return fault(err, "read person %s", id)
		}
		if p.Version != version {
			return domain.ErrStale
		}
		if err := change(&p); err != nil {
			return err
		}
		p.Version++
		_, err = tx.Exec(ctx, `
			update person set name = $2, sign_in_name = $3, email = $4, roles = $5, departments = $6, sees_values = $7,
				password_hash = $8, closed_at = $9, version = $10 where id = $1`,
			p.ID, p.Name, p.SignInName, p.Email, p.Roles, p.Departments, p.SeesValues, p.PasswordHash, p.ClosedAt, p.Version)
		if err != nil {
			return fault(err, "change person %s", id)
		}
		afterwards(ctx, s.bearers.forget)
		return s.db.addEvents(ctx, p.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return &p, nil
}

func (s *People) one(ctx context.Context, where string, arg any) (*people.Person, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+personColumns+` from person where `+where, arg)
	p, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[people.Person])
	return p, fault(err, "read person %v", arg)
}

// One reads a person.
func (s *People) One(ctx context.Context, id domain.ID) (*people.Person, error) {
	return s.one(ctx, `id = $1`, id)
}

// BySignInName reads a person by the name they sign in with, in any case.
func (s *People) BySignInName(ctx context.Context, name string) (*people.Person, error) {
	return s.one(ctx, `lower(sign_in_name) = lower($1)`, name)
}

// List lists persons by name.
func (s *People) List(ctx context.Context, closed bool, q domain.PageQuery) (domain.Page[people.Person], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[people.Person]{}, err
	}
	list := []any{"people", closed}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return domain.Page[people.Person]{}, err
	}
	if keys == nil {
		keys = []string{"", domain.ID{}.String()}
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select `+personColumns+` from person
		where (closed_at is null or $1) and (name, id) > ($2, $3) order by name, id limit $4`, closed, keys[0], keys[1], limit)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[people.Person])
	if err != nil {
		return domain.Page[people.Person]{}, fault(err, "list people")
	}
	return domain.NextPage(q, list, all, func(p people.Person) []string { return []string{p.Name, p.ID.String()} }), nil
}

// CuratorsOf lists the open curators of a department.
func (s *People) CuratorsOf(ctx context.Context, department string) ([]people.Person, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select `+personColumns+` from person
		where closed_at is null and 'curator' = any(roles) and $1 = any(departments) order by name, id`, department)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[people.Person])
	return all, fault(err, "list curators of %s", department)
}

// Any says whether there is anybody.
func (s *People) Any(ctx context.Context) (bool, error) {
	var any bool
	err := s.db.q(ctx).QueryRow(ctx, `select exists (select from person)`).Scan(&any)
	return any, fault(err, "look for anybody")
}

const tokenColumns = `id, person_id, name, scopes, created_at, expires_at, revoked_at, last_used_at` // #nosec G101 -- names of columns, no secrets

// AddToken writes a token and the hash of its secret.
func (s *People) AddToken(ctx context.Context, t people.Token, secretSHA256 []byte) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into token (id, person_id, name, secret_sha256, scopes, created_at, expires_at)
			values ($1, $2, $3, $4, $5, $6, $7)`, t.ID, t.PersonID, t.Name, secretSHA256, t.Scopes, t.CreatedAt, t.ExpiresAt)
		if err != nil {
			return fault(err, "add token %s", t.ID)
		}
		return s.db.addEvents(ctx, domain.Event{At: t.CreatedAt, ActorID: &t.PersonID, Area: "people", Subject: t.PersonID,
			Kind: "token_added", Change: map[string]any{"token": t.ID, "name": t.Name, "scopes": t.Scopes}})
	})
}

// Tokens lists a person's tokens, the newest first.
func (s *People) Tokens(ctx context.Context, personID domain.ID) ([]people.Token, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+tokenColumns+` from token where person_id = $1 order by created_at desc, id desc limit 200`, personID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[people.Token])
	return all, fault(err, "list tokens of %s", personID)
}

// RevokeToken ends a token. Ending it twice changes nothing.
func (s *People) RevokeToken(ctx context.Context, personID, id domain.ID, at time.Time) (people.Token, error) {
	var t people.Token
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, _ := tx.Query(ctx, `
			update token set revoked_at = coalesce(revoked_at, $3) where id = $1 and person_id = $2
			returning `+tokenColumns, id, personID, at)
		var err error
		if t, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[people.Token]); err != nil {
			return fault(err, "revoke token %s", id)
		}
		afterwards(ctx, s.bearers.forget)
		return s.db.addEvents(ctx, domain.Event{At: at, ActorID: &personID, Area: "people", Subject: personID,
			Kind: "token_revoked", Change: map[string]any{"token": id}})
	})
	return t, err
}

// ByToken reads who bears the token of a secret's hash. What Hear lets it remember is not read again; in a
// transaction, which may be taken back, nothing is remembered.
func (s *People) ByToken(ctx context.Context, secretSHA256 []byte, at time.Time) (people.Bearer, error) {
	if _, ok := ctx.Value(txKey{}).(*begun); ok {
		return s.readBearer(ctx, secretSHA256, at)
	}
	b, when, ok := s.bearers.of(secretSHA256)
	if ok {
		return b, nil
	}
	read := time.Now()
	b, err := s.readBearer(ctx, secretSHA256, at)
	if err == nil {
		s.bearers.remember(secretSHA256, b, read, when)
	}
	return b, err
}

// readBearer reads in one statement the columns that are needed, because a request of the API begins with it.
func (s *People) readBearer(ctx context.Context, secretSHA256 []byte, at time.Time) (people.Bearer, error) {
	var (
		b        people.Bearer
		a        = &b.Actor
		token    domain.ID
		lastUsed *time.Time
	)
	err := s.db.q(ctx).QueryRow(ctx, `
		select p.id, p.name, p.roles, p.departments, p.sees_values, p.closed_at is not null, t.id, t.scopes, t.expires_at, t.revoked_at is not null, t.last_used_at
		from token t join person p on p.id = t.person_id where t.secret_sha256 = $1`, secretSHA256).
		Scan(&a.ID, &a.Name, &a.Roles, &a.Departments, &a.SeesValues, &b.Closed, &token, &a.Scopes, &b.ExpiresAt, &b.Revoked, &lastUsed)
	if err != nil {
		return people.Bearer{}, fault(err, "read token")
	}
	a.TokenID = &token
	if lastUsed == nil || at.Sub(*lastUsed) > time.Hour {
		if _, err := s.db.q(ctx).Exec(ctx, `update token set last_used_at = $2 where id = $1`, token, at); err != nil {
			return people.Bearer{}, fault(err, "note use of token %s", token)
		}
	}
	return b, nil
}

// Failures counts failed sign-ins.
func (s *People) Failures(ctx context.Context, name, address string, since time.Time) (byName, byAddress int, err error) {
	err = s.db.q(ctx).QueryRow(ctx, `
		select (select count(*) from sign_in_failure where sign_in_name = $1 and at > $3),
			(select count(*) from sign_in_failure where address = $2 and at > $3)`, name, address, since).Scan(&byName, &byAddress)
	return byName, byAddress, fault(err, "count failed sign-ins")
}

// AddFailure notes a failed sign-in.
func (s *People) AddFailure(ctx context.Context, name, address string, at time.Time) error {
	_, err := s.db.q(ctx).Exec(ctx, `insert into sign_in_failure (sign_in_name, address, at) values ($1, $2, $3)`, name, address, at)
	return fault(err, "note failed sign-in")
}

// Sweep forgets failures before a time and sessions that have expired.
func (s *People) Sweep(ctx context.Context, failures, begun, used time.Time) error {
	if _, err := s.db.q(ctx).Exec(ctx, `delete from sign_in_failure where at < $1`, failures); err != nil {
		return fault(err, "sweep failed sign-ins")
	}
	if _, err := s.db.q(ctx).Exec(ctx, `delete from sign_in_session where begun_at <= $1 or last_used_at <= $2`, begun, used); err != nil {
		return fault(err, "sweep sessions")
	}
	_, err := s.db.q(ctx).Exec(ctx, `delete from sessions where expiry < now()`)
	return fault(err, "sweep sessions")
}
