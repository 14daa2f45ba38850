package e2e_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"farthingale/cmd/farthingale/serve/servetest"
)

// chromium is the one browser of this test binary.
var chromium = sync.OnceValues(startChromium)

// closeChromium ends it; startChromium sets it.
var closeChromium = func() {}

func TestMain(m *testing.M) {
	code := m.Run()
	closeChromium()
	os.Exit(code)
}

var errNoBrowser = errors.New("there is no Chromium here")

// required says that a missing browser is a failure.
func required() bool { return os.Getenv("FARTHINGALE_BROWSER") == "required" }

func browserPath() (string, error) {
	if named := os.Getenv("FARTHINGALE_BROWSER"); named != "" && named != "required" {
		return exec.LookPath(named)
	}
	for _, name := range []string{"chromium-headless-shell", "chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "headless-shell",
		"/Applications/Chromium.app/Contents/MacOS/Chromium", "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			return found, nil
		}
	}
	return "", errNoBrowser
}

func startChromium() (context.Context, error) {
	path, err := browserPath()
	if err != nil {
		return nil, err
	}
	profile, err := os.MkdirTemp("", "farthingale-browser-")
	if err != nil {
		return nil, err
	}
	// There is no graphics card where tests run, and playing one in software costs more than drawing without. Nor
	// does a page live long enough for its scripts to be worth compiling well.
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.UserDataDir(profile),
		chromedp.Flag("disable-gpu", true), chromedp.Flag("js-flags", "--no-opt"))
	allocator, endAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, end := chromedp.NewContext(allocator)
	closeChromium = func() {
		end()
		endAllocator()
		_ = os.RemoveAll(profile)
	}
	if err := chromedp.Do(ctx); err != nil {
		closeChromium()
		return nil, fmt.Errorf("start %s: %w", path, err)
	}
	return ctx, nil
}

// tab is one tab with cookies of its own, on a house.
type tab struct {
	t   testing.TB
	h   *servetest.House
	ctx context.Context

	who    string // the sign-in name
	leaves int    // pages that were walked to

	mu     sync.Mutex
	spoken []string // errors that the browser wrote to its console
}

// open opens a tab. A test in which there is no browser is left out, or fails when one is required.
func open(t testing.TB, h *servetest.House) *tab {
	t.Helper()
	browser, err := chromium()
	if errors.Is(err, errNoBrowser) && !required() {
		t.Skip("no Chromium is installed, and FARTHINGALE_BROWSER does not require one")
	}
	if err != nil {
		t.Fatalf("browser: %v", err)
	}
	ctx, end := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	t.Cleanup(end)
	b := &tab{t: t, h: h, ctx: ctx}
	console := chromedp.Console(ctx)
	go func() {
		for message, err := range console {
			if err != nil {
				return
			}
			if message.Type == chromedp.ConsoleError || message.IsException() {
				b.mu.Lock()
				b.spoken = append(b.spoken, message.Text)
				b.mu.Unlock()
			}
		}
	}()
	b.size(1280)
	return b
}

// patience is how long one step may take.
const patience = 30 * time.Second

// do runs steps.
func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatalf("at %s: %v", b.at(), err)
	}
}

// value runs a step that gives a value.
func value[T any](b *tab, step chromedp.Action[T]) T {
	b.t.Helper()
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	v, err := chromedp.Run(ctx, step)
	if err != nil {
		b.t.Fatalf("at %s: %v", b.at(), err)
	}
	return v
}

// loads runs a step that leads to another page, and gives its status.
func (b *tab) loads(step chromedp.Action[chromedp.Void]) int {
	b.t.Helper()
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	answer, err := chromedp.RunResponse(ctx, step)
	if err != nil {
		b.t.Fatalf("at %s: %v", b.at(), err)
	}
	if answer == nil {
		b.t.Fatalf("at %s: no page answered", b.at())
	}
	return int(answer.Status)
}

// at is the path that is shown.
func (b *tab) at() string {
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	at, err := chromedp.Run(ctx, chromedp.Location())
	if err != nil {
		return "an unknown page"
	}
	path, _, _ := strings.Cut(strings.TrimPrefix(at, b.h.Server.URL), "#")
	return path
}

// show opens a path and gives its status.
func (b *tab) show(path string) int {
	b.t.Helper()
	return b.loads(chromedp.Navigate(b.h.Server.URL + path))
}

// must opens a path that answers 200.
func (b *tab) must(path string) {
	b.t.Helper()
	if status := b.show(path); status != http.StatusOK {
		b.t.Fatalf("%s answers %d: %s", path, status, b.text())
	}
}

// signIn signs somebody in by the form; the zero Someone stays outside.
func (b *tab) signIn(who servetest.Someone) {
	b.t.Helper()
	if who.SignInName == "" {
		return
	}
	b.who = who.SignInName
	b.must("/sign-in")
	b.fill("sign_in_name", who.SignInName)
	b.fill("password", servetest.Password)
	b.press("Sign in")
	if who.Secret != "" {
		b.fill("code", string(b.h.Code(who)))
		b.press("Sign in")
	}
	if b.at() != "/" {
		b.t.Fatalf("%s is not let in: %s", who.Name, b.text())
	}
}

// press presses the button with these words that is shown; it leads to another page.
func (b *tab) press(words string) int {
	b.t.Helper()
	return b.loads(chromedp.Click(fmt.Sprintf(`//button[not(contains(@class, "unseen")) and not(ancestor::details[not(@open)])][normalize-space(.)=%q or @aria-label=%q]`, words, words)))
}

// fill types into the field with this name, in place of what stands there.
func (b *tab) fill(name, text string) {
	b.t.Helper()
	field := chromedp.CSS(fmt.Sprintf(`[name=%q]`, name))
	b.do(chromedp.Clear(field), chromedp.SendKeys(field, text))
}

// choose chooses in a select, or ticks the radio or check with this value.
func (b *tab) choose(name, chosen string) {
	b.t.Helper()
	if value(b, chromedp.Evaluate[bool](fmt.Sprintf(`document.querySelector('select[name=%q]') !== null`, name))) {
		b.do(chromedp.SetValue(chromedp.CSS(fmt.Sprintf(`select[name=%q]`, name)), chosen))
		return
	}
	b.do(chromedp.Click(chromedp.CSS(fmt.Sprintf(`input[name=%q][value=%q]`, name, chosen))))
}

// text is what a person reads on the page.
func (b *tab) text() string {
	b.t.Helper()
	return strings.Join(strings.Fields(value(b, chromedp.Evaluate[string](`document.body.innerText`))), " ")
}

// says fails the test unless the page says all of the texts.
func (b *tab) says(texts ...string) {
	b.t.Helper()
	shown := b.text()
	for _, text := range texts {
		if !strings.Contains(shown, text) {
			b.t.Fatalf("%s does not say %q: %s", b.at(), text, shown)
		}
	}
}

// size sets the width of the window in CSS pixels.
func (b *tab) size(width int64) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, 800))
}

// media sets the medium ("screen", "print") and the colour scheme ("light", "dark"), at rest: what is
// measured must not be on its way.
func (b *tab) media(medium, scheme string) {
	b.t.Helper()
	b.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Media: medium, Features: []*emulation.MediaFeature{
				{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		return err
	}))
}

// withoutScripts takes JavaScript from the pages of this tab; what the test evaluates still runs.
func (b *tab) withoutScripts() {
	b.t.Helper()
	b.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}))
}

// picture keeps a picture of the whole page where FARTHINGALE_SHOTS says, if it says so.
func (b *tab) picture(name string) {
	b.t.Helper()
	folder := os.Getenv("FARTHINGALE_SHOTS")
	if folder == "" {
		return
	}
	name = strings.Trim(strings.NewReplacer("/", "_", "?", "_", "&", "_", "=", "-", " ", "_").Replace(name), "_")
	if err := os.WriteFile(filepath.Join(folder, name+".png"), value(b, chromedp.FullScreenshot(100)), 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// complaints are the errors that the browser wrote to its console since the last call.
func (b *tab) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	said := b.spoken
	b.spoken = nil
	return said
}
