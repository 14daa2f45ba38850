package web

import (
	"net/http"
	"regexp"

	"github.com/labstack/echo/v4"
)

func (s *Server) problemRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/problems/:code", anybody, s.problem)
}

// rules are the numbered rules in a sentence each, for the pages that a refusal links to.
var rules = map[string]string{
	"P1": "Every act has one named person. Shared accounts do not exist; a token acts as its person.",
	"P2": "What a role may not do is refused with the reason, and the refusal is on record.",
	"P3": "Values, security-sensitive places and lender details are only for the registrar, the curator of the department and persons granted by a steward.",
	"P4": "A person who leaves is closed, never deleted: the name stays on what was signed.",
	"C1": "A part detached stays a component of its object; its label never changes. A loose fragment is linked to where it came from. Components are a tree of at most eight levels.",
	"C2": "A component marked 'never taken off' has a reason and is not planned as detached in a mount, a loan or a move.",
	"C3": "Changing an attribution or an identification keeps the earlier one, its author and its evidence.",
	"C4": "An object is never deleted once anything is signed about it; its legal status changes instead.",
	"C5": "A part away from its whole is said wherever the whole is shown, lent or counted.",
	"M2": "Unidentified is not harmless.",

	"E1": "A signed examination is never edited; a correction is an addendum, signed and sealed in its turn.",
	"E2": "Two examinations are compared: new, worse, unchanged, better, gone and not seen; a change smaller than its uncertainty is no proven change.",
	"E3": "Not seen is not gone. What was found before is answered at each examination; on a part that was not seen it can only be 'not seen'.",
	"E4": "An area from a photograph needs a scale in the picture; without one it is pixels and a percentage, and says so.",
	"E5": "Active damage of severity 4, or an incident, is on the agenda of conservators and the department's curators at once, until a conservator answers it.",

	"T1":  "No work is recorded before approval. A step names components, method and materials; each must lie inside the approved scope.",
	"T2":  "Approval is by a curator of the department who did not write, amend or carry out the treatment. One person never sits on both sides of it.",
	"T3":  "A decision carries a statement; every condition is acknowledged before work starts, a failed condition before start stops the work until a new decision, and each is answered in the completion.",
	"T4":  "A decision is on a version: the text decided on is sealed with it. A submitted text is not edited; taking it back voids the submission.",
	"T5":  "While an amendment is open, work inside the approved scope may go on; work that needs the amendment may not.",
	"T6":  "To prevent imminent loss a conservator may act first, with the least intervention; curator and registrar have notice at once, and a curator ratifies it within the term.",
	"T7":  "A completion needs photographs before and after with the same view or a reason, the materials used, deviations, hours, condition, advice, and the next check.",
	"T8":  "Signing seals the whole; what was signed is corrected by an addendum beside it.",
	"T9":  "A stop on a component refuses new steps on it, other than emergency stabilisation.",
	"T10": "Parts that came away are kept, labelled and placed. What becomes of them is a curator's decision of its own.",
	"T11": "What was in fact done outside the approval is recorded as a departure, with notice to the curator.",

	"H1": "Every time hands are on an object is a handling on record; a planned act makes its own when it is carried out.",
	"H2": "Noise, powder, resistance, loss or tear raises a stop at once on the components concerned.",
	"H3": "A stop refuses moves, mounting, treatment steps, dispatch and handling, for its components, what is below them and what carries them, for everybody. A conservator releases it with a reason, what was found and new limits, but not after their own handling unless there is no other and a curator has noted it. Evacuation is never refused.",
	"H6": "Handlings are totalled by object, component, joint, purpose and person over any period.",
	"V1": "An object or detached part is in exactly one place, or in transit between two, at any time; the history has no gap and no overlap.",
	"V2": "Moving a whole moves what is attached to it; moving a place moves what is in it.",
	"V3": "A move out of a building needs a registrar; every move has a reason and somebody who authorises it, for a technician somebody else.",
	"V5": "When two people move one thing at once, one succeeds and the other is told who moved it where.",
	"L1": "Objects or single parts are lent; each line has its value and currency, insurer or indemnity, conditions, mount, handling and display.",
	"L2": "A loan needs a curator's approval and a conservator's assessment of every line, by two different persons. 'Not fit' refuses, unless the head of the department consents on record.",
	"L3": "A loan leaves only when nothing is missing: outgoing condition of the last days, no stop, no open emergency, values covered for every day, one version signed by both, venues assessed, transport and courier named.",
	"L4": "At each hand-over the condition is stated and compared with the one before; a closed crate is no check.",

	"R1": "A sealed document has one canonical form and a SHA-256; each seal also covers the one before it.",
	"R2": "Events and seals are only ever added.",
}

var codeForm = regexp.MustCompile(`^[A-Za-z0-9_]{1,40}$`)

type problemPage struct {
	Frame
	Code string
	Rule string
}

// problem explains a kind of refusal; problem documents of the API link here.
func (s *Server) problem(c echo.Context) error {
	code := c.Param("code")
	if !codeForm.MatchString(code) {
		return echo.ErrNotFound
	}
	p := &problemPage{Code: code, Rule: rules[code]}
	p.Title = "Refusal " + code
	return s.render(c, http.StatusOK, "error/problem", p)
}
