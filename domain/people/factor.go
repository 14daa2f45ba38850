package people

import (
	"context"
	"crypto/rand"
	"fmt"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
)

// The acts of a person whose role needs a second factor and who has none yet.
var (
	SeeFactor = domain.Act{Area: "people", Name: "see your own second factor", BeforeFactor: true}
	Enrol     = domain.Act{Area: "people", Name: "set up a second factor", Write: true, BeforeFactor: true}
)

// pendingMost is how long a seed waits for its first code.
const pendingMost = time.Hour

// Factor is what is kept of a person's second factor: one-time codes after RFC 6238, of 6 digits in
// steps of 30 seconds. It counts once a first code has confirmed it.
type Factor struct {
	PersonID    domain.ID
	SeedSealed  []byte
	BegunAt     time.Time
	ConfirmedAt *time.Time
	LastStep    int64 // the last step whose code was used
}

// FactorState is what a person sees of their second factor.
type FactorState struct {
	On                bool       `json:"on"`
	Required          bool       `json:"required"` // the site asks it of one of the person's roles
	Since             *time.Time `json:"since,omitempty"`
	RecoveryCodesLeft int        `json:"recovery_codes_left"`
}

// Enrolment is a new seed: as text in base 32, and as the address that a QR code holds.
type Enrolment struct {
	Secret string `json:"secret"`
	URI    string `json:"uri"`
}

// NewCodes are recovery codes, shown once. Each stands in for a code of the second factor once.
type NewCodes struct {
	RecoveryCodes []string `json:"recovery_codes"`
}

// BeginFactor asks for a seed; the present password must be given.
type BeginFactor struct {
	Password domain.Secret `json:"password" validate:"required,max=200"`
}

// Code is a code of the second factor or, at sign-in and as a proof, a recovery code.
type Code struct {
	Code domain.Secret `json:"code" validate:"required,max=60"`
}

// Proof is what turning off a second factor needs, and new recovery codes.
type Proof struct {
	Password domain.Secret `json:"password" validate:"required,max=200"`
	Code     domain.Secret `json:"code" validate:"required,max=60"`
}

// FactorStore keeps second factors. A person without one is KindNotFound.
type FactorStore interface {
	// BeginFactor keeps a seed that is not confirmed yet, in place of another such one; it refuses
	// where there is a confirmed one.
	BeginFactor(ctx context.Context, f Factor) error
	// Factor reads a factor and how many recovery codes are left; lock keeps others waiting until the
	// transaction ends.
	Factor(ctx context.Context, personID domain.ID, lock bool) (Factor, int, error)
	// AnyFactor is one that was confirmed, or KindNotFound.
	AnyFactor(ctx context.Context) (Factor, error)
	ConfirmFactor(ctx context.Context, personID domain.ID, at time.Time) error
	// UseStep takes the code of a step, and says whether nobody took it or a later one before.
	UseStep(ctx context.Context, personID domain.ID, step int64) (bool, error)
	// UseRecoveryCode takes a recovery code, and says whether there was one that nobody had used.
	UseRecoveryCode(ctx context.Context, personID domain.ID, sha256 []byte, at time.Time) (bool, error)
	ReplaceRecoveryCodes(ctx context.Context, personID domain.ID, sha256s [][]byte) error
	RemoveFactor(ctx context.Context, personID domain.ID) error
	Note(ctx context.Context, e domain.Event) error
}

// CheckKey fails when second factors are kept under another key than the site's: with a wrong key nobody
// who has one could sign in, and new ones would be lost when the right key comes back.
func (s *Service) CheckKey(ctx context.Context) error {
	f, err := s.store.AnyFactor(ctx)
	if domain.KindOf(err) == domain.KindNotFound {
		return nil
	}
	if err != nil {
		return err
	}
	if _, err := openSeed(s.settings.Key, f.PersonID, f.SeedSealed); err != nil {
		return fmt.Errorf("second factors are kept under another key than this; name the file with the right one (--key-file): %w", err)
	}
	return nil
}

// needsFactor says whether the site asks a second factor of one of the roles.
func (s *Service) needsFactor(roles []domain.Role) bool {
	return slices.ContainsFunc(roles, func(r domain.Role) bool { return slices.Contains(s.settings.SecondFactorFor, r) })
}

// FactorState is one's own second factor.
func (s *Service) FactorState(ctx context.Context, by domain.Actor) (FactorState, error) {
	if err := by.May(SeeFactor); err != nil {
		return FactorState{}, err
	}
	return s.factorState(ctx, by.ID, by.Roles)
}

// FactorOf is somebody's second factor as a steward sees it.
func (s *Service) FactorOf(ctx context.Context, by domain.Actor, personID domain.ID) (FactorState, error) {
	if err := by.May(Keep); err != nil {
		return FactorState{}, err
	}
	p, err := s.store.One(ctx, personID)
	if err != nil {
		return FactorState{}, err
	}
	return s.factorState(ctx, p.ID, p.Roles)
}

func (s *Service) factorState(ctx context.Context, personID domain.ID, roles []domain.Role) (FactorState, error) {
	state := FactorState{Required: s.needsFactor(roles)}
	f, left, err := s.store.Factor(ctx, personID, false)
	if domain.KindOf(err) == domain.KindNotFound {
		return state, nil
	}
	if err == nil && f.ConfirmedAt != nil {
		state.On, state.Since, state.RecoveryCodesLeft = true, f.ConfirmedAt, left
	}
	return state, err
}

// BeginFactor makes a seed for the person who acts. It counts once ConfirmFactor got its first code.
func (s *Service) BeginFactor(ctx context.Context, by domain.Actor, n BeginFactor) (Enrolment, error) {
	if err := by.May(Enrol); err != nil {
		return Enrolment{}, err
	}
	if err := domain.Validate(n); err != nil {
		return Enrolment{}, err
	}
	p, err := s.prove(ctx, by, n.Password, "/password")
	if err != nil {
		return Enrolment{}, err
	}
	seed := make([]byte, seedBytes)
	if _, err := rand.Read(seed); err != nil {
		return Enrolment{}, fmt.Errorf("seed of a second factor: %w", err)
	}
	sealed, err := sealSeed(s.settings.Key, p.ID, seed)
	if err != nil {
		return Enrolment{}, err
	}
	if err := s.store.BeginFactor(ctx, Factor{PersonID: p.ID, SeedSealed: sealed, BegunAt: s.now()}); err != nil {
		return Enrolment{}, err
	}
	return newEnrolment(seed, s.settings.Site, p.SignInName), nil
}

// PendingFactor is the seed that waits for its first code, or KindNotFound.
func (s *Service) PendingFactor(ctx context.Context, by domain.Actor) (Enrolment, error) {
	if err := by.May(Enrol); err != nil {
		return Enrolment{}, err
	}
	f, _, err := s.store.Factor(ctx, by.ID, false)
	if err != nil {
		return Enrolment{}, err
	}
	if f.ConfirmedAt != nil || s.now().Sub(f.BegunAt) > pendingMost {
		return Enrolment{}, domain.NotFound("No second factor waits for its first code.")
	}
	seed, err := openSeed(s.settings.Key, by.ID, f.SeedSealed)
	if err != nil {
		return Enrolment{}, err
	}
	p, err := s.store.One(ctx, by.ID)
	if err != nil {
		return Enrolment{}, err
	}
	return newEnrolment(seed, s.settings.Site, p.SignInName), nil
}

// ConfirmFactor turns the second factor on with its first code and gives the recovery codes. All other
// sessions end: they were begun without it.
func (s *Service) ConfirmFactor(ctx context.Context, by domain.Actor, n Code) (NewCodes, error) {
	if err := by.May(Enrol); err != nil {
		return NewCodes{}, err
	}
	if err := domain.Validate(n); err != nil {
		return NewCodes{}, err
	}
	p, err := s.store.One(ctx, by.ID)
	if err != nil {
		return NewCodes{}, err
	}
	codes, hashes, err := newRecoveryCodes()
	if err != nil {
		return NewCodes{}, err
	}
	at := s.now()
	waits := func(f Factor) error {
		if f.ConfirmedAt != nil {
			return domain.Conflict("second_factor_on", "Your second factor is on already.")
		}
		if at.Sub(f.BegunAt) > pendingMost {
			return domain.Conflict("second_factor_late", "This secret waited too long for its first code. Begin again.")
		}
		return nil
	}
	err = s.tryCode(ctx, p, n.Code, "", waits, func(ctx context.Context) error {
		if err := s.store.ConfirmFactor(ctx, p.ID, at); err != nil {
			return err
		}
		if err := s.store.ReplaceRecoveryCodes(ctx, p.ID, hashes); err != nil {
			return err
		}
		if _, err := s.store.EndSessions(ctx, by.ID, p.ID, by.SessionID, at); err != nil {
			return err
		}
		return s.note(ctx, by, p.ID, "second_factor_added")
	})
	return NewCodes{codes}, err
}

// NewRecoveryCodes gives new recovery codes; the old ones are worth nothing then.
func (s *Service) NewRecoveryCodes(ctx context.Context, by domain.Actor, n Proof) (NewCodes, error) {
	codes, hashes, err := newRecoveryCodes()
	if err != nil {
		return NewCodes{}, err
	}
	err = s.proven(ctx, by, n, func(ctx context.Context, p *Person) error {
		if err := s.store.ReplaceRecoveryCodes(ctx, p.ID, hashes); err != nil {
			return err
		}
		return s.note(ctx, by, p.ID, "recovery_codes_made")
	})
	return NewCodes{codes}, err
}

// EndFactor turns one's own second factor off.
func (s *Service) EndFactor(ctx context.Context, by domain.Actor, n Proof) error {
	return s.proven(ctx, by, n, func(ctx context.Context, p *Person) error {
		if err := s.store.RemoveFactor(ctx, p.ID); err != nil {
			return err
		}
		return s.note(ctx, by, p.ID, "second_factor_removed")
	})
}

// RemoveFactor turns somebody's second factor off, by a steward who knows that the person lost it.
func (s *Service) RemoveFactor(ctx context.Context, by domain.Actor, personID domain.ID) error {
	if err := by.May(Keep); err != nil {
		return err
	}
	if personID == by.ID {
		return domain.Refuse("P2", "Turn your own second factor off on your account page, with a code; or another steward must.")
	}
	return s.atomic.Do(ctx, func(ctx context.Context) error {
		if err := s.store.RemoveFactor(ctx, personID); err != nil {
			return err
		}
		return s.note(ctx, by, personID, "second_factor_removed")
	})
}

// CheckCode is the second step of signing in from an address: a code, or a recovery code, of somebody
// whose password was right.
func (s *Service) CheckCode(ctx context.Context, personID domain.ID, n Code, address string) error {
	if err := domain.Validate(n); err != nil {
		return err
	}
	p, err := s.store.One(ctx, personID)
	if err != nil {
		return err
	}
	if p.ClosedAt != nil {
		return unauthenticated("This account is closed.")
	}
	return s.tryCode(ctx, p, n.Code, address, factorIsOn, nothing)
}

func nothing(context.Context) error { return nil }

func factorIsOn(f Factor) error {
	if f.ConfirmedAt == nil {
		return domain.NotFound("There is no second factor.")
	}
	return nil
}

// proven does an act for which a person gives the password and a code.
func (s *Service) proven(ctx context.Context, by domain.Actor, n Proof, act func(ctx context.Context, p *Person) error) error {
	if err := by.May(Own); err != nil {
		return err
	}
	if err := domain.Validate(n); err != nil {
		return err
	}
	p, err := s.prove(ctx, by, n.Password, "/password")
	if err != nil {
		return err
	}
	return s.tryCode(ctx, p, n.Code, "", factorIsOn, func(ctx context.Context) error { return act(ctx, p) })
}

// tryCode takes a code, once, and does an act in the same transaction. The factor is locked, so that
// tries at the same moment are counted one after the other; a wrong code is a failed sign-in.
func (s *Service) tryCode(ctx context.Context, p *Person, code domain.Secret, address string, fits func(Factor) error, act func(ctx context.Context) error) error {
	at := s.now()
	name := strings.ToLower(p.SignInName)
	var refusal error
	err := s.atomic.Do(ctx, func(ctx context.Context) error {
		refusal = nil
		f, _, err := s.store.Factor(ctx, p.ID, true)
		if err == nil {
			err = fits(f)
		}
		if err == nil {
			err = s.throttled(ctx, name, address, at)
		}
		if err != nil {
			return err
		}
		taken, err := s.takeCode(ctx, f, bare(code), at)
		if err != nil {
			return err
		}
		if !taken {
			refusal = domain.Invalid("/code", "code", "This code is not right, or it was used already. Wait for the next one.")
			return s.store.AddFailure(ctx, name, address, at)
		}
		return act(ctx)
	})
	if err != nil {
		return err
	}
	return refusal
}

// takeCode says whether the code is one of the factor's, and takes it. A factor that is not confirmed
// yet has no recovery codes.
func (s *Service) takeCode(ctx context.Context, f Factor, code string, at time.Time) (bool, error) {
	if len(code) != codeDigits {
		return s.store.UseRecoveryCode(ctx, f.PersonID, recoveryHash(code), at)
	}
	seed, err := openSeed(s.settings.Key, f.PersonID, f.SeedSealed)
	if err != nil {
		return false, err
	}
	n, ok := stepOf(seed, code, at)
	if !ok {
		return false, nil
	}
	return s.store.UseStep(ctx, f.PersonID, n)
}

func (s *Service) note(ctx context.Context, by domain.Actor, personID domain.ID, kind string) error {
	return s.store.Note(ctx, domain.Event{At: s.now(), ActorID: &by.ID, Area: "people", Subject: personID, Kind: kind})
}
