package domain

import (
	"slices"
	"strings"
)

// Role is what a person is at the museum. A person may hold several.
type Role string

// The roles of rule P2.
const (
	Conservator Role = "conservator"
	Curator     Role = "curator"
	Registrar   Role = "registrar"
	MountMaker  Role = "mount_maker"
	Technician  Role = "technician"
	Reader      Role = "reader"
	Steward     Role = "steward"
)

// Roles lists every role in the order in which they are shown.
var Roles = []Role{Conservator, Curator, Registrar, MountMaker, Technician, Reader, Steward}

// Words is the role as people write it.
func (r Role) Words() string { return strings.ReplaceAll(string(r), "_", " ") }

// Staff are the roles that work on records: everybody except readers and stewards.
var Staff = []Role{Conservator, Curator, Registrar, MountMaker, Technician}

// Readers are the roles that may read the records: everybody except the steward, who keeps
// accounts and has no rights over records.
var Readers = []Role{Conservator, Curator, Registrar, MountMaker, Technician, Reader}

// Act is something that only some roles may do. Area is the area whose records it touches;
// Write is false for acts that only read.
type Act struct {
	Area  string
	Name  string // a verb phrase that completes "may …": "decide on a treatment"
	Write bool
	Roles []Role // empty: any signed-in person
	// BeforeFactor is true for what somebody may do whose role needs a second factor that is not there.
	BeforeFactor bool
}

// Actor is the one named person (rule P1) who acts, by a session or by a token.
type Actor struct {
	ID          ID
	Name        string
	Roles       []Role
	Departments []string // curator for these departments
	SeesValues  bool     // steward-granted: sees values, sensitive places and lenders (P3)
	TokenID     *ID      // set when the act comes by a personal token
	SessionID   *ID      // set when the act comes by a session of the pages
	LacksFactor bool     // by a session, of somebody whose role needs a second factor that is not there
	Scopes      []string // of the token: "read", an area's name, or "all"; a session has all
}

// Has says whether the actor holds the role.
func (a Actor) Has(r Role) bool { return slices.Contains(a.Roles, r) }

// CuratorOf says whether the actor is curator for the department.
func (a Actor) CuratorOf(department string) bool {
	return a.Has(Curator) && slices.Contains(a.Departments, department)
}

// MaySeeValues is rule P3: values, security-sensitive places and lender details are for the
// registrar, the curator of the department, and persons granted by a steward. An empty department
// asks about things that belong to no department.
func (a Actor) MaySeeValues(department string) bool {
	return a.SeesValues || a.Has(Registrar) || a.CuratorOf(department)
}

// NeedsFactor is the code of the refusal of somebody whose role needs a second factor that is not there.
const NeedsFactor = "second_factor"

// May is nil when the actor may do the act, else rule P2 as an error that names who may.
func (a Actor) May(act Act) error {
	if a.ID == (ID{}) {
		return &Error{Kind: KindUnauthenticated, Code: "P1", Message: "Sign in first: every act has one named person."}
	}
	if a.LacksFactor && !act.BeforeFactor {
		return &Error{Kind: KindForbidden, Code: NeedsFactor, Message: "Your role needs a second factor. Set it up first; until then you can do nothing else."}
	}
	if len(act.Roles) > 0 && !slices.ContainsFunc(act.Roles, a.Has) {
		words := make([]string, len(act.Roles))
		for i, r := range act.Roles {
			words[i] = r.Words()
		}
		return Forbidden("You may not " + act.Name + ". Ask a " + strings.Join(words, " or a ") + ".")
	}
	if a.TokenID == nil || slices.Contains(a.Scopes, "all") {
		return nil
	}
	if !act.Write || slices.Contains(a.Scopes, act.Area) {
		return nil
	}
	return Forbidden("This token does not reach so far: it may not " + act.Name + ". Make a token with the scope '" + act.Area + "'.")
}
