package web

import (
	"farthingale/domain"
	"farthingale/domain/loan"
)

func examinationLink(id *domain.ID) string {
	if id == nil {
		return ""
	}
	return examinationPath(*id)
}

// examineForLoan leads to where a line of a loan is examined for what comes next.
func examineForLoan(l *loan.Loan, n *loan.Line) (path, words string) {
	occasion := ""
	switch l.State {
	case loan.Dispatched:
		occasion, words = loan.ExaminationOf(loan.Received), "Examine it on arrival"
	case loan.Received, loan.OnDisplay:
		occasion, words = loan.ExaminationOf(loan.Packing), "Examine it before it is packed"
	case loan.Packing, loan.Recalled:
		occasion, words = loan.ExaminationOf(loan.Returned), "Examine it on its return"
	default:
		if !l.State.Before() {
			return "", ""
		}
		occasion, words = loan.OutgoingOccasion, "Examine it before it goes out"
	}
	return examinePath(n.ObjectNumber, occasion) + "&loan_id=" + l.ID.String(), words
}

// comparedPath leads to the two examinations of a hand-over side by side; empty: there are not two.
func comparedPath(number string, c loan.LineCondition) string {
	if number == "" || c.ExaminationID == nil || c.BeforeID == nil {
		return ""
	}
	return comparePath(number) + "?a=" + c.BeforeID.String() + "&b=" + c.ExaminationID.String()
}
