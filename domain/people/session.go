package people

import (
	"context"
	"strings"
	"time"

	"farthingale/domain"
)

// Session is one sign-in of a person on the pages. It ends by itself after a time without use and
// after a longest time, whatever is done; the person ends it sooner.
type Session struct {
	ID         domain.ID `json:"id"`
	PersonID   domain.ID `json:"person_id"`
	BegunAt    time.Time `json:"begun_at"`
	LastUsedAt time.Time `json:"last_used_at"` // to the minute
	Browser    string    `json:"browser"`      // in plain words: "Firefox on Windows"
	Present    bool      `json:"present" db:"-"`
}

// SessionLimits end sessions. A laboratory writes for hours on one page, so the time without use is
// longer than a bank's.
//
// source: OWASP ASVS 5.0, 7.3.1 and 7.3.2 (an inactivity timeout and an absolute lifetime, from memory)
type SessionLimits struct {
	Idle    time.Duration // without a request
	Longest time.Duration // since the sign-in
}

// DefaultSessionLimits hold for a site that sets none: a working day, and half of one without use.
var DefaultSessionLimits = SessionLimits{Idle: 4 * time.Hour, Longest: 12 * time.Hour}

// earliest are the times before which a session that goes on was neither begun nor last used.
func (l SessionLimits) earliest(at time.Time) (begun, used time.Time) {
	return at.Add(-l.Longest), at.Add(-l.Idle)
}

// over says whether the session has ended by itself.
func (l SessionLimits) over(s Session, at time.Time) bool {
	begun, used := l.earliest(at)
	return !s.BegunAt.After(begun) || !s.LastUsedAt.After(used)
}

// SessionLimits are those of the site.
func (s *Service) SessionLimits() SessionLimits { return s.settings.Sessions }

// Begin begins a session for somebody who was let in.
func (s *Service) Begin(ctx context.Context, personID domain.ID, userAgent string) (Session, error) {
	at := s.now()
	n := Session{ID: domain.NewID(), PersonID: personID, BegunAt: at, LastUsedAt: at, Browser: BrowserWords(userAgent)}
	return n, s.store.AddSession(ctx, n)
}

// Present is the acting person of a session, read anew for every request so that a closed account, a
// changed role or an ended session counts at once. It notes the use, at most once a minute.
func (s *Service) Present(ctx context.Context, sessionID domain.ID) (domain.Actor, error) {
	p, session, factor, err := s.store.BySession(ctx, sessionID)
	if err != nil {
		return domain.Actor{}, err
	}
	at := s.now()
	if p.ClosedAt != nil || s.settings.Sessions.over(session, at) {
		return domain.Actor{}, unauthenticated("You were signed out. Sign in again.")
	}
	if at.Sub(session.LastUsedAt) >= time.Minute {
		if err := s.store.UseSession(ctx, session.ID, at); err != nil {
			return domain.Actor{}, err
		}
	}
	a := p.Actor()
	a.SessionID, a.LacksFactor = &session.ID, !factor && s.needsFactor(p.Roles)
	return a, nil
}

// Sessions lists one's own sessions that go on, the last used first; the one that asks is marked.
func (s *Service) Sessions(ctx context.Context, by domain.Actor) ([]Session, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	begun, used := s.settings.Sessions.earliest(s.now())
	all, err := s.store.Sessions(ctx, by.ID, begun, used)
	for i := range all {
		all[i].Present = by.SessionID != nil && all[i].ID == *by.SessionID
	}
	return all, err
}

// EndSession ends one of one's own sessions at once.
func (s *Service) EndSession(ctx context.Context, by domain.Actor, id domain.ID) (Session, error) {
	if err := by.May(Own); err != nil {
		return Session{}, err
	}
	n, err := s.store.EndSession(ctx, by.ID, id, s.now())
	n.Present = by.SessionID != nil && n.ID == *by.SessionID
	return n, err
}

// EndOtherSessions ends all of one's own sessions but the one that asks, and says how many those were.
func (s *Service) EndOtherSessions(ctx context.Context, by domain.Actor) (int, error) {
	if err := by.May(Own); err != nil {
		return 0, err
	}
	return s.store.EndSessions(ctx, by.ID, by.ID, by.SessionID, s.now())
}

// SignOut ends the session that asks. One that has ended already is no error.
func (s *Service) SignOut(ctx context.Context, sessionID domain.ID) error {
	return s.store.ForgetSession(ctx, sessionID)
}

// BrowserWords says in plain words which browser and which machine a User-Agent names. It is a claim
// of the browser and proves nothing.
func BrowserWords(userAgent string) string {
	first := func(of [][2]string) string {
		for _, o := range of {
			if strings.Contains(userAgent, o[0]) {
				return o[1]
			}
		}
		return ""
	}
	// Most browsers also name the ones they descend from, so the order counts.
	browser := first([][2]string{{"Edg", "Edge"}, {"OPR/", "Opera"}, {"SamsungBrowser/", "Samsung Internet"}, {"Firefox/", "Firefox"}, {"FxiOS/", "Firefox"},
		{"CriOS/", "Chrome"}, {"Chromium/", "Chromium"}, {"HeadlessChrome/", "Chrome"}, {"Chrome/", "Chrome"}, {"Safari/", "Safari"}})
	machine := first([][2]string{{"iPad", "an iPad"}, {"iPhone", "an iPhone"}, {"Android", "Android"}, {"Windows", "Windows"}, {"CrOS", "ChromeOS"},
		{"Macintosh", "a Mac"}, {"Linux", "Linux"}})
	switch {
	case browser == "" && machine == "":
		return "an unknown browser"
	case browser == "":
		return "an unknown browser on " + machine
	case machine == "":
		return browser
	}
	return browser + " on " + machine
}
