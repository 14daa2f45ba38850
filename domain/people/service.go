package people

import (
	"context"
	"strings"
	"sync/atomic"
	"time"

	"farthingale/domain"
)

// How many failed sign-ins in signInWindow close the door for a name and for an address.
const (
	signInWindow   = 15 * time.Minute
	nameFailures   = 5
	sourceFailures = 30
)

// Store keeps persons, tokens, sessions and second factors.
type Store interface {
	FactorStore

	Add(ctx context.Context, p *Person) error
	Update(ctx context.Context, id domain.ID, version int64, change func(*Person) error) (*Person, error)
	One(ctx context.Context, id domain.ID) (*Person, error)
	BySignInName(ctx context.Context, name string) (*Person, error)
	List(ctx context.Context, closed bool, q domain.PageQuery) (domain.Page[Person], error)
	CuratorsOf(ctx context.Context, department string) ([]Person, error)
	Any(ctx context.Context) (bool, error)

	AddToken(ctx context.Context, t Token, secretSHA256 []byte) error
	Tokens(ctx context.Context, personID domain.ID) ([]Token, error)
	RevokeToken(ctx context.Context, personID, id domain.ID, at time.Time) (Token, error)
	// ByToken reads who bears the token of a secret's hash, and notes its use at most once an hour.
	ByToken(ctx context.Context, secretSHA256 []byte, at time.Time) (Bearer, error)

	// Failures counts failed sign-ins since a time, by name and by address.
	Failures(ctx context.Context, name, address string, since time.Time) (byName, byAddress int, err error)
	AddFailure(ctx context.Context, name, address string, at time.Time) error
	// Sweep forgets failures before a time, and sessions begun or last used before theirs.
	Sweep(ctx context.Context, failures, begun, used time.Time) error

	AddSession(ctx context.Context, n Session) error
	// BySession reads the person of a session, and whether they have a second factor.
	BySession(ctx context.Context, id domain.ID) (p *Person, n Session, factor bool, err error)
	UseSession(ctx context.Context, id domain.ID, at time.Time) error
	Sessions(ctx context.Context, personID domain.ID, begunAfter, usedAfter time.Time) ([]Session, error)
	EndSession(ctx context.Context, personID, id domain.ID, at time.Time) (Session, error)
	EndSessions(ctx context.Context, by, personID domain.ID, keep *domain.ID, at time.Time) (int, error)
	ForgetSession(ctx context.Context, id domain.ID) error
}

// Service knows who acts.
type Service struct {
	store    Store
	atomic   domain.Atomic
	now      func() time.Time
	settings Settings
	computed atomic.Int64  // password hashes since the start
	hashes   chan struct{} // at most two password hashes at a time: each takes 19 MiB
}

// Settings are what a site decides about sign-in.
type Settings struct {
	Site     string        // its name, which no password may lean on
	Sessions SessionLimits // zero: DefaultSessionLimits
	// SecondFactorFor are the roles that can do nothing on the pages without a second factor.
	SecondFactorFor []domain.Role
	Key             []byte // KeyBytes long, under which seeds are kept; nil: nobody can set up a second factor
	// Hash makes the hash of a new password; nil: HashPassword. Whatever it makes must be readable to CheckPassword.
	Hash func(domain.Secret) (string, error)
}

// NewService makes the service; now is the clock.
func NewService(store Store, atomic domain.Atomic, site Settings, now func() time.Time) *Service {
	if site.Sessions == (SessionLimits{}) {
		site.Sessions = DefaultSessionLimits
	}
	if site.Hash == nil {
		site.Hash = HashPassword
	}
	return &Service{store: store, atomic: atomic, now: now, settings: site, hashes: make(chan struct{}, 2)}
}

func (s *Service) hash(password domain.Secret) (string, error) {
	s.hashes <- struct{}{}
	defer func() { <-s.hashes }()
	s.computed.Add(1)
	return s.settings.Hash(password)
}

func (s *Service) check(hash string, password domain.Secret) bool {
	s.hashes <- struct{}{}
	defer func() { <-s.hashes }()
	s.computed.Add(1)
	return CheckPassword(hash, password)
}

// Hashes is how many password hashes were computed since the start: each takes memory and time.
func (s *Service) Hashes() int64 { return s.computed.Load() }

// Add makes a person. An actor without ID is the command line or the first-run page, which may only
// make the first person, a steward.
func (s *Service) Add(ctx context.Context, by domain.Actor, n NewPerson) (*Person, error) {
	if by.ID == (domain.ID{}) {
		if any, err := s.store.Any(ctx); err != nil || any {
			if err == nil {
				err = by.May(Keep)
			}
			return nil, err
		}
	} else if err := by.May(Keep); err != nil {
		return nil, err
	}
	return s.AddByHand(ctx, by, n)
}

// AddByHand makes a person on behalf of whoever may run the program at its machine.
func (s *Service) AddByHand(ctx context.Context, by domain.Actor, n NewPerson) (*Person, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if err := chosen(n.Password, "/password", s.settings.Site, n.Name, n.SignInName, n.Email); err != nil {
		return nil, err
	}
	hash, err := s.hash(n.Password)
	if err != nil {
		return nil, err
	}
	at := s.now()
	p := &Person{ID: domain.NewID(), Name: strings.TrimSpace(n.Name), SignInName: strings.TrimSpace(n.SignInName), Email: n.Email, Roles: n.Roles,
		Departments: n.Departments, SeesValues: n.SeesValues, PasswordHash: &hash, Version: 1, CreatedAt: at}
	if p.Departments == nil {
		p.Departments = []string{}
	}
	p.raise(by, "added", n.Facts, at)
	return p, s.store.Add(ctx, p)
}

// Any says whether there is anybody yet; when not, the first-run page makes the first steward.
func (s *Service) Any(ctx context.Context) (bool, error) { return s.store.Any(ctx) }

// Change sets the facts of a person.
func (s *Service) Change(ctx context.Context, by domain.Actor, id domain.ID, version int64, f Facts) (*Person, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	if err := domain.Validate(f); err != nil {
		return nil, err
	}
	if f.Departments == nil {
		f.Departments = []string{}
	}
	return s.store.Update(ctx, id, version, func(p *Person) error { return p.Change(by, f, s.now()) })
}

// Close ends an account (P4). The person's tokens stop working with it, and the sessions end.
func (s *Service) Close(ctx context.Context, by domain.Actor, id domain.ID, version int64) (*Person, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	return s.updateAndSignOut(ctx, by, id, version, func(p *Person) error { return p.Close(by, s.now()) })
}

// updateAndSignOut changes a person and ends all sessions of that person but the one that asks.
func (s *Service) updateAndSignOut(ctx context.Context, by domain.Actor, id domain.ID, version int64, change func(*Person) error) (*Person, error) {
	var p *Person
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		var err error
		if p, err = s.store.Update(ctx, id, version, change); err != nil {
			return err
		}
		_, err = s.store.EndSessions(ctx, by.ID, id, by.SessionID, s.now())
		return err
	})
	if err != nil {
		return nil, err
	}
	return p, nil
}

// ResetPassword gives a person a new password, by a steward. The person's sessions end.
func (s *Service) ResetPassword(ctx context.Context, by domain.Actor, id domain.ID, version int64, n GivenPassword) (*Person, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	p, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	return s.setPassword(ctx, by, p, version, n.Password)
}

// ChangePassword changes one's own password; the present one must be given. All other sessions end.
func (s *Service) ChangePassword(ctx context.Context, by domain.Actor, n NewPassword) (*Person, error) {
	if err := by.May(Own); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	p, err := s.prove(ctx, by, n.Present, "/present")
	if err != nil {
		return nil, err
	}
	return s.setPassword(ctx, by, p, p.Version, n.Password)
}

// prove reads the person who acts, whose present password this must be. A wrong one counts as a failed
// sign-in: whoever found a session open does not find the password by trying.
func (s *Service) prove(ctx context.Context, by domain.Actor, password domain.Secret, pointer string) (*Person, error) {
	p, err := s.store.One(ctx, by.ID)
	if err != nil {
		return nil, err
	}
	at, name := s.now(), strings.ToLower(p.SignInName)
	if err := s.throttled(ctx, name, "", at); err != nil {
		return nil, err
	}
	if p.PasswordHash == nil || !s.check(*p.PasswordHash, password) {
		if err := s.store.AddFailure(ctx, name, "", at); err != nil {
			return nil, err
		}
		return nil, domain.Invalid(pointer, "password", "This is not your present password.")
	}
	return p, nil
}

// throttled refuses when too many sign-ins failed for a name, or from an address; "" is no address.
func (s *Service) throttled(ctx context.Context, name, address string, at time.Time) error {
	byName, byAddress, err := s.store.Failures(ctx, name, address, at.Add(-signInWindow))
	if err != nil {
		return err
	}
	if byName >= nameFailures || address != "" && byAddress >= sourceFailures {
		return &domain.Error{Kind: domain.KindThrottled, Code: "throttled", RetryAfterSeconds: int(signInWindow.Seconds()),
			Message: "Too many failed sign-ins. Wait a quarter of an hour, or ask a steward for a new password."}
	}
	return nil
}

func (s *Service) setPassword(ctx context.Context, by domain.Actor, of *Person, version int64, password domain.Secret) (*Person, error) {
	if err := chosen(password, "/password", s.settings.Site, of.Name, of.SignInName, of.Email); err != nil {
		return nil, err
	}
	hash, err := s.hash(password)
	if err != nil {
		return nil, err
	}
	return s.updateAndSignOut(ctx, by, of.ID, version, func(p *Person) error {
		if p.ClosedAt != nil {
			return domain.RefuseState("P4", p.Name+" is closed.")
		}
		p.PasswordHash = &hash
		p.raise(by, "password_changed", nil, s.now())
		return nil
	})
}

// One is a person as colleagues see one another.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Person, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.One(ctx, id)
}

// BySignInName finds a person for whoever may run the program at its machine.
func (s *Service) BySignInName(ctx context.Context, name string) (*Person, error) {
	return s.store.BySignInName(ctx, name)
}

// List lists persons by name; closed ones only when asked for.
func (s *Service) List(ctx context.Context, by domain.Actor, closed bool, q domain.PageQuery) (domain.Page[Person], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Person]{}, err
	}
	return s.store.List(ctx, closed, q)
}

// CuratorsOf lists the open curators of a department; refusals name them (T2).
func (s *Service) CuratorsOf(ctx context.Context, department string) ([]Person, error) {
	return s.store.CuratorsOf(ctx, department)
}

func unauthenticated(message string) *domain.Error {
	return &domain.Error{Kind: domain.KindUnauthenticated, Code: "P1", Message: message}
}

// SignIn checks a name and a password from an address. The same answer, after the same time, is
// given for a wrong name and for a wrong password; too many failures are refused for a while. Somebody
// with a second factor is let in only when CheckCode has taken a code too.
func (s *Service) SignIn(ctx context.Context, in SignIn, address string) (p *Person, needsCode bool, err error) {
	if err := domain.Validate(in); err != nil {
		return nil, false, err
	}
	at := s.now()
	name := strings.ToLower(strings.TrimSpace(in.SignInName))
	if err := s.throttled(ctx, name, address, at); err != nil {
		return nil, false, err
	}
	p, err = s.store.BySignInName(ctx, name)
	if err != nil && domain.KindOf(err) != domain.KindNotFound {
		return nil, false, err
	}
	hash := nobodysHash
	if err == nil && p.PasswordHash != nil && p.ClosedAt == nil {
		hash = *p.PasswordHash
	}
	if !s.check(hash, in.Password) || hash == nobodysHash {
		if err := s.store.AddFailure(ctx, name, address, at); err != nil {
			return nil, false, err
		}
		return nil, false, unauthenticated("The name or the password is not right.")
	}
	state, err := s.factorState(ctx, p.ID, p.Roles)
	return p, state.On, err
}

// AddToken makes a personal token. Its secret is in the answer and nowhere else.
func (s *Service) AddToken(ctx context.Context, by domain.Actor, n NewToken) (Token, error) {
	if err := by.May(Own); err != nil {
		return Token{}, err
	}
	if by.TokenID != nil {
		return Token{}, domain.Forbidden("A token cannot make tokens. Sign in on the pages to make one.")
	}
	if err := domain.Validate(n); err != nil {
		return Token{}, err
	}
	secret, err := newSecret()
	if err != nil {
		return Token{}, err
	}
	at := s.now()
	t := Token{ID: domain.NewID(), PersonID: by.ID, Name: n.Name, Scopes: n.Scopes, CreatedAt: at, ExpiresAt: at.AddDate(0, 0, n.Days), Secret: secret}
	return t, s.store.AddToken(ctx, t, secretHash(secret))
}

// Tokens lists one's own tokens.
func (s *Service) Tokens(ctx context.Context, by domain.Actor) ([]Token, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Tokens(ctx, by.ID)
}

// RevokeToken ends one of one's own tokens at once.
func (s *Service) RevokeToken(ctx context.Context, by domain.Actor, id domain.ID) (Token, error) {
	if err := by.May(Own); err != nil {
		return Token{}, err
	}
	return s.store.RevokeToken(ctx, by.ID, id, s.now())
}

// ByToken is the acting person of a token's secret (P1), with the token's narrower scope.
func (s *Service) ByToken(ctx context.Context, secret string) (domain.Actor, error) {
	refused := unauthenticated("This token is unknown, expired or revoked. Make a new one on your account page.")
	hash, ok := readSecret(secret)
	if !ok {
		return domain.Actor{}, refused
	}
	at := s.now()
	b, err := s.store.ByToken(ctx, hash, at)
	if domain.KindOf(err) == domain.KindNotFound {
		return domain.Actor{}, refused
	}
	if err != nil {
		return domain.Actor{}, err
	}
	if b.Closed || b.Revoked || !at.Before(b.ExpiresAt) {
		return domain.Actor{}, refused
	}
	return b.Actor, nil
}

// Sweep forgets old failures of sign-in, and sessions that are over.
func (s *Service) Sweep(ctx context.Context) error {
	begun, used := s.settings.Sessions.earliest(s.now())
	return s.store.Sweep(ctx, s.now().Add(-24*time.Hour), begun, used)
}
