// Package people knows who acts: persons, their roles, sign-in, and personal tokens (rules P1–P4).
// Every area asks domain.Actor what a person may do; this package says who the actor is.
package people

import (
	"slices"
	"time"

	"farthingale/domain"
)

// The acts of this area.
var (
	Read = domain.Act{Area: "people", Name: "see who works here"}
	Keep = domain.Act{Area: "people", Name: "keep accounts", Write: true, Roles: []domain.Role{domain.Steward}}
	Own  = domain.Act{Area: "people", Name: "change your own account", Write: true}
)

// Person is somebody who acts. A person who leaves is closed, never deleted (P4).
type Person struct {
	ID           domain.ID     `json:"id"`
	Name         string        `json:"name"`
	SignInName   string        `json:"sign_in_name"`
	Email        string        `json:"email,omitempty"`
	Roles        []domain.Role `json:"roles"`
	Departments  []string      `json:"departments"`
	SeesValues   bool          `json:"sees_values"`
	PasswordHash *string       `json:"-"`
	ClosedAt     *time.Time    `json:"closed_at,omitempty"`
	Version      int64         `json:"version"`
	CreatedAt    time.Time     `json:"created_at"`

	domain.Raised `json:"-" db:"-"`
}

// Actor is the person as the one who acts, by a session.
func (p *Person) Actor() domain.Actor {
	return domain.Actor{ID: p.ID, Name: p.Name, Roles: p.Roles, Departments: p.Departments, SeesValues: p.SeesValues, Scopes: []string{"all"}}
}

// Facts are what a steward sets about a person.
type Facts struct {
	Name        string        `json:"name" validate:"required,max=200"`
	SignInName  string        `json:"sign_in_name" validate:"required,min=2,max=80"`
	Email       string        `json:"email" validate:"omitempty,email,max=200"`
	Roles       []domain.Role `json:"roles" validate:"required,min=1,unique,dive,oneof=conservator curator registrar mount_maker technician reader steward"`
	Departments []string      `json:"departments" validate:"max=20,unique,dive,required,max=120"`
	SeesValues  bool          `json:"sees_values"`
}

// NewPerson is a person with a first password.
type NewPerson struct {
	Facts
	Password domain.Secret `json:"password" validate:"required,min=12,max=200"`
}

// GivenPassword is a password that a steward gives somebody.
type GivenPassword struct {
	Password domain.Secret `json:"password" validate:"required,min=12,max=200"`
}

// NewPassword changes the password of the person who is signed in.
type NewPassword struct {
	Present  domain.Secret `json:"present" validate:"required,max=200"`
	Password domain.Secret `json:"password" validate:"required,min=12,max=200"`
}

// SignIn is an attempt to sign in.
type SignIn struct {
	SignInName string        `json:"sign_in_name" validate:"required,max=80"`
	Password   domain.Secret `json:"password" validate:"required,max=200"`
}

// Change sets the facts of a person. A closed person is not changed.
func (p *Person) Change(by domain.Actor, f Facts, at time.Time) error {
	if p.ClosedAt != nil {
		return domain.RefuseState("P4", p.Name+" is closed. A person who returns gets a new account.")
	}
	if p.ID == by.ID && !slices.Contains(f.Roles, domain.Steward) {
		return domain.Refuse("P2", "You cannot take the role of steward from yourself; another steward must.")
	}
	p.Name, p.SignInName, p.Email, p.Roles = f.Name, f.SignInName, f.Email, f.Roles
	p.Departments, p.SeesValues = f.Departments, f.SeesValues
	p.raise(by, "changed", f, at)
	return nil
}

// Close ends a person's account (P4): the name stays on what was signed, sign-in ends.
func (p *Person) Close(by domain.Actor, at time.Time) error {
	switch {
	case p.ClosedAt != nil:
		return domain.RefuseState("P4", p.Name+" is closed already.")
	case p.ID == by.ID:
		return domain.Refuse("P4", "You cannot close yourself; another steward must.")
	}
	p.ClosedAt, p.PasswordHash = &at, nil
	p.raise(by, "closed", nil, at)
	return nil
}

func (p *Person) raise(by domain.Actor, kind string, change any, at time.Time) {
	actor := &by.ID
	if by.ID == (domain.ID{}) {
		actor = nil // the command line, before there is anybody
	}
	p.Raise(domain.Event{At: at, ActorID: actor, Area: "people", Subject: p.ID, Kind: kind, Change: change})
}

// Token is a personal token for the API. Only the hash of its secret is kept.
type Token struct {
	ID         domain.ID  `json:"id"`
	PersonID   domain.ID  `json:"person_id"`
	Name       string     `json:"name"`
	Scopes     []string   `json:"scopes"`
	CreatedAt  time.Time  `json:"created_at"`
	ExpiresAt  time.Time  `json:"expires_at"`
	RevokedAt  *time.Time `json:"revoked_at,omitempty"`
	LastUsedAt *time.Time `json:"last_used_at,omitempty"`
	Secret     string     `json:"secret,omitempty" db:"-"` // only in the answer that makes it
}

// Bearer is who acts by a token, and whether they may: what every request of the API asks first, and no more.
type Bearer struct {
	Actor     domain.Actor
	Closed    bool // the person's account
	Revoked   bool // the token
	ExpiresAt time.Time
}

// Scopes are what a token may be narrowed to: reading, writing in named areas, or all.
var Scopes = []string{"read", "all", "collection", "photo", "treatment", "handling", "movement", "loan", "people", "agenda"}

// NewToken asks for a token.
type NewToken struct {
	Name   string   `json:"name" validate:"required,max=120"`
	Scopes []string `json:"scopes" validate:"required,min=1,unique,dive,oneof=read all collection photo treatment handling movement loan people agenda"`
	Days   int      `json:"days" validate:"required,min=1,max=366"` // days until it expires
}
