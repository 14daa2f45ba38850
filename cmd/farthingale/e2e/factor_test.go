package e2e_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// TestSecondFactorInABrowser: somebody whose role needs it is led to set it up, sees the recovery codes
// once, and signs in with a code; a wrong code comes back as a form that can be used.
func TestSecondFactorInABrowser(t *testing.T) {
	t.Parallel()
	h := servetest.New(t, func(s *serve.Settings) { s.SecondFactorFor = []domain.Role{domain.Steward} })
	script := axe(t)
	simon := h.Person("Simon Vane", domain.Steward)
	b := open(t, h)
	b.must("/sign-in")
	b.fill("sign_in_name", simon.SignInName)
	b.fill("password", servetest.Password)
	b.press("Sign in")
	b.says("Your role needs a second factor")
	b.judge(b.at(), "second-factor-needed", script)
	b.fill("password", servetest.Password)
	b.press("Make a secret")
	simon.Secret = strings.ReplaceAll(value(b, chromedp.Evaluate[string](`document.querySelector('code.secret').textContent`)), " ", "")
	if drawn := value(b, chromedp.Evaluate[float64](`document.querySelector('svg.qr path').getBoundingClientRect().width`)); drawn < 150 {
		t.Errorf("the QR code is drawn %.0f px wide", drawn)
	}
	b.fill("code", string(h.Code(simon)))
	if status := b.press("Turn the second factor on"); status != http.StatusOK {
		t.Fatalf("status %d: %s", status, b.text())
	}
	b.says("Recovery codes", "Shown once.", "10 recovery codes left")
	b.judge(b.at(), "second-factor-codes", script)
	b.must("/people")
	b.press("Sign out")

	b.fill("sign_in_name", simon.SignInName)
	b.fill("password", servetest.Password)
	b.press("Sign in")
	b.fill("code", "000000")
	if status := b.press("Sign in"); status != http.StatusUnprocessableEntity {
		t.Errorf("a wrong code: status %d", status)
	}
	b.judge(b.at(), "second-factor-wrong", script)
	b.fill("code", string(h.Code(simon)))
	b.press("Sign in")
	if b.at() != "/" {
		t.Errorf("a right code leads to %s: %s", b.at(), b.text())
	}
}
