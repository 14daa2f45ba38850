package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/loan"
)

// LoanPapers makes the papers of a loan: its agreement and its schedule of objects, in the formats of
// loan.Formats. number 0 is the latest version.
type LoanPapers interface {
	LoanPaper(ctx context.Context, by domain.Actor, id domain.ID, number int, format loan.Format) (domain.Paper, error)
}

func (s *Server) loanRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/loans", loan.Read, s.loans)
	s.route(g, http.MethodPost, "/loans", loan.Manage, s.addLoan)
	s.route(g, http.MethodGet, "/loans/:id", loan.Read, s.loan)
	s.route(g, http.MethodPut, "/loans/:id", loan.Manage, s.changeLoan)
	s.route(g, http.MethodGet, "/loans/:id/missing", loan.Read, s.loanMissing)
	s.route(g, http.MethodPost, "/loans/:id/lines", loan.Manage, s.addLoanLine)
	s.route(g, http.MethodGet, "/loan-lines/:id", loan.Read, s.loanLine)
	s.route(g, http.MethodPut, "/loan-lines/:id", loan.Prepare, lineAct(s.Loan.SetConditions))
	s.route(g, http.MethodPut, "/loan-lines/:id/value", loan.Value, lineAct(s.Loan.SetValue))
	s.route(g, http.MethodPost, "/loan-lines/:id/withdrawal", loan.Manage, lineAct(s.Loan.WithdrawLine))
	s.route(g, http.MethodPost, "/loan-lines/:id/assessments", loan.Assess, lineAct(s.Loan.Assess))
	s.route(g, http.MethodPost, "/loan-lines/:id/consents", loan.Decide, lineAct(s.Loan.Consent))
	s.route(g, http.MethodPost, "/loan-lines/:id/condition-statements", loan.Assess, lineAct(s.Loan.StateCondition))
	s.route(g, http.MethodPost, "/loan-condition-statements/:id/addenda", loan.Assess, loanAct(s.Loan.AddAddendum))
	s.route(g, http.MethodPost, "/loans/:id/approvals", loan.Decide, loanAct(s.Loan.Approve))
	s.route(g, http.MethodPost, "/loans/:id/declines", loan.Decide, loanAct(s.Loan.Decline))
	s.route(g, http.MethodGet, "/loans/:id/agreements", loan.Read, s.loanAgreements)
	s.route(g, http.MethodPost, "/loans/:id/agreements", loan.Manage, s.issueLoanAgreement)
	s.route(g, http.MethodPost, "/loans/:id/agreements/:n/signatures", loan.Sign, s.signLoanAgreement)
	s.route(g, http.MethodPost, "/loans/:id/facilities-assessments", loan.Assess, loanAct(s.Loan.AssessFacilities))
	s.route(g, http.MethodPost, "/loans/:id/insurances", loan.Manage, loanAct(s.Loan.Insure))
	s.route(g, http.MethodPost, "/loan-insurances/:id/withdrawal", loan.Manage, loanAct(s.Loan.WithdrawInsurance))
	s.route(g, http.MethodPost, "/loans/:id/preparation", loan.Manage, loanAct(s.Loan.Ready))
	s.route(g, http.MethodPost, "/loans/:id/dispatch", loan.Manage, loanAct(s.Loan.Dispatch))
	s.route(g, http.MethodPost, "/loans/:id/receipt", loan.Hand, loanAct(s.Loan.Receive))
	s.route(g, http.MethodPost, "/loans/:id/display", loan.Hand, loanAct(s.Loan.Display))
	s.route(g, http.MethodPost, "/loans/:id/packing", loan.Hand, loanAct(s.Loan.Pack))
	s.route(g, http.MethodPost, "/loans/:id/return", loan.Manage, loanAct(s.Loan.Return))
	s.route(g, http.MethodPost, "/loans/:id/closure", loan.Manage, loanAct(s.Loan.Close))
	s.route(g, http.MethodPost, "/loans/:id/cancellation", loan.End, loanAct(s.Loan.Cancel))
	s.route(g, http.MethodPost, "/loans/:id/recall", loan.End, loanAct(s.Loan.Recall))
	for _, f := range loan.Formats {
		s.route(g, http.MethodGet, "/loans/:id/"+f.Name, loan.Read, s.loanPaper(f))
	}
}

// loanAct serves an act that takes the version of a loan and gives the loan back.
func loanAct[T any](act func(ctx context.Context, by domain.Actor, id domain.ID, version int64, command T) (*loan.Loan, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		var command T
		id, version, err := target(c, &command)
		if err != nil {
			return err
		}
		l, err := act(c.Request().Context(), actor(c), id, version, command)
		if err != nil {
			return err
		}
		return one(c, http.StatusOK, l.Version, l)
	}
}

// lineAct serves an act on a line; the version is the loan's, and the line is given back.
func lineAct[T any](act func(ctx context.Context, by domain.Actor, id domain.ID, version int64, command T) (*loan.Loan, error)) echo.HandlerFunc {
	return func(c echo.Context) error {
		var command T
		id, version, err := target(c, &command)
		if err != nil {
			return err
		}
		l, err := act(c.Request().Context(), actor(c), id, version, command)
		if err != nil {
			return err
		}
		return one(c, http.StatusOK, l.Version, l.Line(id))
	}
}

// loans serves GET /loans, the latest first.
func (s *Server) loans(c echo.Context) error {
	q, err := page(c)
	if err != nil {
		return err
	}
	f := loan.Filter{State: loan.State(c.QueryParam("state"))}
	if f.ObjectID, err = queryID(c, "object_id"); err != nil {
		return err
	}
	if f.Open, err = queryBool(c, "open"); err != nil {
		return err
	}
	all, err := s.Loan.List(c.Request().Context(), actor(c), f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// addLoan serves POST /loans.
func (s *Server) addLoan(c echo.Context) error {
	var f loan.Facts
	if err := decode(c, &f); err != nil {
		return err
	}
	l, err := s.Loan.Create(c.Request().Context(), actor(c), f)
	if err != nil {
		return err
	}
	return created(c, "/loans/"+l.ID.String(), l.Version, l)
}

// loan serves GET /loans/{id}.
func (s *Server) loan(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	l, err := s.Loan.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, l.Version, l)
}

// changeLoan serves PUT /loans/{id}.
func (s *Server) changeLoan(c echo.Context) error { return loanAct(s.Loan.Change)(c) }

// loanMissing serves GET /loans/{id}/missing: what the loan waits for.
func (s *Server) loanMissing(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	_, next, err := s.Loan.Show(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return send(c, http.StatusOK, next)
}

// addLoanLine serves POST /loans/{id}/lines.
func (s *Server) addLoanLine(c echo.Context) error {
	var n loan.NewLine
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	l, line, err := s.Loan.AddLine(c.Request().Context(), actor(c), id, version, n)
	if err != nil {
		return err
	}
	return created(c, "/loan-lines/"+line.ID.String(), l.Version, line)
}

// loanLine serves GET /loan-lines/{id}, with the ETag of its loan.
func (s *Server) loanLine(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	l, err := s.Loan.OfLine(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, l.Version, l.Line(id))
}

// loanAgreements serves GET /loans/{id}/agreements: the versions issued, without their content.
func (s *Server) loanAgreements(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	l, err := s.Loan.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, l.Version, map[string][]loan.Agreement{"items": l.Agreements})
}

// issueLoanAgreement serves POST /loans/{id}/agreements.
func (s *Server) issueLoanAgreement(c echo.Context) error {
	id, version, err := target(c, nil)
	if err != nil {
		return err
	}
	l, err := s.Loan.Issue(c.Request().Context(), actor(c), id, version)
	if err != nil {
		return err
	}
	return created(c, "/loans/"+id.String()+"/agreement.pdf?version="+strconv.Itoa(len(l.Agreements)), l.Version, l)
}

// signLoanAgreement serves POST /loans/{id}/agreements/{n}/signatures.
func (s *Server) signLoanAgreement(c echo.Context) error {
	var n loan.NewSignature
	id, version, err := target(c, &n)
	if err != nil {
		return err
	}
	number, err := numberOf(c, "n")
	if err != nil {
		return err
	}
	l, err := s.Loan.Sign(c.Request().Context(), actor(c), id, version, number, n)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, l.Version, l)
}

// loanPaper serves GET /loans/{id}/agreement.pdf and its fellows.
func (s *Server) loanPaper(f loan.Format) echo.HandlerFunc {
	return func(c echo.Context) error {
		id, err := idOf(c, "id")
		if err != nil {
			return err
		}
		number := 0
		if text := c.QueryParam("version"); text != "" {
			var whole bool
			if number, whole = wholeNumber(text); !whole || number < 1 {
				return domain.Invalid("/version", "range", "The number of a version: 1, 2, 3 ….")
			}
		}
		file, err := s.LoanPapers.LoanPaper(c.Request().Context(), actor(c), id, number, f)
		if err != nil {
			return err
		}
		return sendFile(c, file)
	}
}

// sendFile sends a made paper. Its ETag is the SHA-256 of its bytes, and Repr-Digest says the same
// (RFC 9530).
func sendFile(c echo.Context, f domain.Paper) error {
	sum := sha256.Sum256(f.Content)
	hash := hex.EncodeToString(sum[:])
	h := c.Response().Header()
	h.Set("ETag", `"`+hash+`"`)
	h.Set("Repr-Digest", digest(hash))
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": f.Name}))
	for t := range strings.SplitSeq(c.Request().Header.Get("If-None-Match"), ",") {
		if t = strings.TrimPrefix(strings.TrimSpace(t), "W/"); t == `"`+hash+`"` || t == "*" {
			return c.NoContent(http.StatusNotModified)
		}
	}
	return c.Blob(http.StatusOK, f.MediaType, f.Content)
}
