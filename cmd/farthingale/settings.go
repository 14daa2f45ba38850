package main

import (
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"
	_ "time/tzdata" // a bare machine has no zone files

	"farthingale/domain"
	"farthingale/domain/people"
	"farthingale/domain/photo"
	"farthingale/postgres"
)

// settings are the flags of the program.
type settings struct {
	flags *flag.FlagSet
	envs  map[string]string // flag name → environment variable

	listen, data, databaseURL, ownerURL, readURL, pgBin, bucketURL string
	siteName, siteAddress, zone, holidays, proxies, loanTerms      string
	noMigrate, secureCookies, plainHTTP, fresh                     bool
	idleMinutes, sessionHours                                      int
	secondFactorFor, keyFile, metrics, scanner                     string
	requestsPerMinute, maxConns                                    int
	photoMegabytes, photoMegapixels, images                        int
	approvalMonths, ratificationDays, outgoingDays                 int

	// of person, token and verify
	name, signIn, email, role, department, scope, against string
	seesValues                                            bool
	days                                                  int
}

func newSettings(command string) *settings {
	s := &settings{flags: flag.NewFlagSet(command, flag.ContinueOnError), envs: map[string]string{}}
	s.flags.SetOutput(io.Discard)
	d := domain.DefaultSite()
	s.text(&s.listen, "listen", "LISTEN", "127.0.0.1:8080", "address and port to serve on")
	s.text(&s.metrics, "metrics-address", "METRICS_ADDRESS", "", "address and port of the figures for Prometheus, at /metrics, such as 127.0.0.1:9100; none when not given. They need no sign-in: keep them on the loopback or in a closed network")
	s.text(&s.data, "data", "DATA", defaultData(command), "folder for files and for the private database")
	s.text(&s.databaseURL, "database-url", "DATABASE_URL", "", "Postgres to use; without one a private cluster is started in the data folder")
	s.text(&s.ownerURL, "owner-database-url", "OWNER_DATABASE_URL", "", "login that owns and migrates the schema; the database-url's when not given")
	s.text(&s.readURL, "read-database-url", "READ_DATABASE_URL", "", "a streaming replica for reads")
	s.text(&s.pgBin, "pg-bin", "FARTHINGALE_PG_BIN", "", "folder with the Postgres programs")
	s.text(&s.bucketURL, "bucket-url", "BUCKET_URL", "", "where files are kept: file:///folder or s3://bucket?region=…; a folder under the data folder when not given")
	s.whole(&s.photoMegabytes, "photo-megabytes", "PHOTO_MEGABYTES", int(photo.DefaultLimits.Bytes/1e6), "most megabytes of a picture file")
	s.whole(&s.photoMegapixels, "photo-megapixels", "PHOTO_MEGAPIXELS", int(photo.DefaultLimits.Pixels/1e6), "most megapixels of a picture")
	s.text(&s.scanner, "virus-scanner", "VIRUS_SCANNER", "", "scanner that speaks the protocol of clamd and looks at every upload, such as unix:///run/clamav/clamd.ctl or tcp://127.0.0.1:3310; files are not scanned when not given")
	s.whole(&s.images, "images", "IMAGES", 1, "pictures that are decoded at a time; each may take some hundred megabytes of memory")
	s.flag(&s.noMigrate, "no-migrate", "NO_MIGRATE", "do not bring the schema up to date on start")
	s.flag(&s.secureCookies, "secure-cookies", "SECURE_COOKIES", "the pages are served under TLS: cookies only travel there")
	s.flag(&s.plainHTTP, "plain-http", "PLAIN_HTTP", "serve without TLS beyond this machine, where whoever is on the way reads passwords and cookies")
	s.whole(&s.idleMinutes, "session-idle-minutes", "SESSION_IDLE_MINUTES", int(people.DefaultSessionLimits.Idle.Minutes()), "minutes without use after which a person is signed out")
	s.text(&s.secondFactorFor, "second-factor-for", "SECOND_FACTOR_FOR", "", "roles separated by commas that can do nothing on the pages before they have set up a second factor")
	s.text(&s.keyFile, "key-file", "KEY_FILE", "", "file with the key under which secrets of second factors are kept, 64 hexadecimal digits; made in the data folder when not given. Keep a copy apart from the database; all copies of the program need the same")
	s.whole(&s.sessionHours, "session-hours", "SESSION_HOURS", int(people.DefaultSessionLimits.Longest.Hours()), "hours after which a person signs in anew, whatever was done")
	s.text(&s.proxies, "trusted-proxies", "TRUSTED_PROXIES", "", "networks whose X-Forwarded-For is believed, such as 10.0.0.0/8, separated by commas")
	s.whole(&s.requestsPerMinute, "requests-per-minute", "REQUESTS_PER_MINUTE", 1200, "of each person at the API; 0: no bound")
	s.whole(&s.maxConns, "max-connections", "MAX_CONNECTIONS", 16, "connections to the database")
	s.text(&s.siteName, "site-name", "SITE_NAME", d.Name, "name of the museum, as printed on documents")
	s.text(&s.siteAddress, "site-address", "SITE_ADDRESS", "", "address of the museum, for agreements")
	s.text(&s.loanTerms, "loan-terms", "LOAN_TERMS", "", "file with the museum's own terms of loan agreements; without one a neutral example stands in them")
	s.text(&s.zone, "time-zone", "TIME_ZONE", "UTC", "zone in which times are shown and days counted, such as Europe/Copenhagen")
	s.text(&s.holidays, "holidays", "HOLIDAYS", "", "days that are not working days, as 2026-12-25, separated by commas")
	s.whole(&s.approvalMonths, "approval-months", "APPROVAL_MONTHS", d.ApprovalMonths, "months after which an approved treatment lapses when not begun")
	s.whole(&s.ratificationDays, "ratification-days", "RATIFICATION_DAYS", d.RatificationWorkingDays, "working days in which an emergency stabilisation is ratified (T6)")
	s.whole(&s.outgoingDays, "outgoing-days", "OUTGOING_DAYS", d.OutgoingExaminationDays, "days for which an outgoing condition statement holds (L3)")
	switch command {
	case "demo", "help":
		s.flag(&s.fresh, "fresh", "", "demo: throw the demonstration's data away and start over")
	}
	switch command {
	case "person", "token", "help":
		s.text(&s.name, "name", "", "", "person, token: the person's name, or what the token is for")
		s.text(&s.signIn, "sign-in", "", "", "person, token: sign-in name")
	}
	switch command {
	case "person", "help":
		s.text(&s.email, "email", "", "", "person: e-mail")
		s.text(&s.role, "role", "", "", "person: roles separated by commas: conservator, curator, registrar, mount_maker, technician, reader, steward")
		s.text(&s.department, "department", "", "", "person: departments of a curator, separated by commas")
		s.flag(&s.seesValues, "sees-values", "", "person: sees values, sensitive places and lenders (P3)")
	}
	switch command {
	case "token", "help":
		s.text(&s.scope, "scope", "", "all", "token: what it may do, separated by commas: read, all, or areas")
		s.whole(&s.days, "days", "", 90, "token: days until it expires")
	}
	switch command {
	case "verify", "help":
		s.text(&s.against, "against", "", "", "verify: a file with the head as /api/v1/seals/head gives it")
	}
	return s
}

func (s *settings) text(to *string, name, env, preset, does string) {
	s.envs[name] = env
	s.flags.StringVar(to, name, preset, does)
}

func (s *settings) flag(to *bool, name, env, does string) {
	s.envs[name] = env
	s.flags.BoolVar(to, name, false, does)
}

func (s *settings) whole(to *int, name, env string, preset int, does string) {
	s.envs[name] = env
	s.flags.IntVar(to, name, preset, does)
}

// parse reads the environment, then the flags, which may stand before and after other words.
func (s *settings) parse(args []string) (rest []string, err error) {
	for name, env := range s.envs {
		if value := os.Getenv(env); env != "" && value != "" {
			if err := s.flags.Set(name, value); err != nil {
				return nil, fmt.Errorf("environment variable %s: %w", env, err)
			}
		}
	}
	for len(args) > 0 {
		if err := s.flags.Parse(args); err != nil {
			return nil, err
		}
		if args = s.flags.Args(); len(args) > 0 {
			rest, args = append(rest, args[0]), args[1:]
		}
	}
	return rest, nil
}

func (s *settings) list(w io.Writer) {
	s.flags.VisitAll(func(f *flag.Flag) {
		env := ""
		if s.envs[f.Name] != "" {
			env = " [" + s.envs[f.Name] + "]"
		}
		preset := ""
		if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "0" {
			preset = " (" + f.DefValue + ")"
		}
		_, _ = fmt.Fprintf(w, "  --%s%s\n        %s%s\n", f.Name, env, f.Usage, preset)
	})
}

// defaultData is the user's data folder; the demonstration has one of its own.
func defaultData(command string) string {
	base := os.Getenv("XDG_DATA_HOME")
	if base == "" {
		home, err := os.UserHomeDir()
		if err != nil {
			home = "."
		}
		base = filepath.Join(home, ".local", "share")
	}
	if command == "demo" {
		return filepath.Join(base, "farthingale-demo")
	}
	return filepath.Join(base, "farthingale")
}

// bucket is where files are kept.
func (s *settings) bucket() string {
	if s.bucketURL != "" {
		return s.bucketURL
	}
	folder, err := filepath.Abs(filepath.Join(s.data, "files"))
	if err != nil {
		folder = filepath.Join(s.data, "files")
	}
	return (&url.URL{Scheme: "file", Path: "/" + strings.TrimPrefix(filepath.ToSlash(folder), "/")}).String()
}

func (s *settings) photoLimits() photo.Limits {
	return photo.Limits{Bytes: int64(max(s.photoMegabytes, 1)) * 1e6, Pixels: int64(max(s.photoMegapixels, 1)) * 1e6}
}

// cookies refuses to serve passwords and cookies readable to whoever is on the way, unless that is
// said. On the loopback there is nobody on the way.
func (s *settings) cookies() error {
	host, _, err := net.SplitHostPort(s.listen)
	if err != nil || s.secureCookies || s.plainHTTP {
		return nil // an address that cannot be read is refused where it is listened on
	}
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("%s is reached from beyond this machine, without TLS. Put TLS in front and say --secure-cookies; or, where nobody is on the way, --plain-http", s.listen)
}

// sessions are how long people stay signed in.
func (s *settings) sessions() people.SessionLimits {
	return people.SessionLimits{Idle: time.Duration(max(s.idleMinutes, 1)) * time.Minute, Longest: time.Duration(max(s.sessionHours, 1)) * time.Hour}
}

// logger writes text to a terminal and JSON to anything else.
func logger() *slog.Logger {
	if info, err := os.Stderr.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
		return slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	return slog.New(slog.NewJSONHandler(os.Stderr, nil))
}

// site is what the museum sets for itself.
func (s *settings) site() (domain.Site, error) {
	site := domain.DefaultSite()
	site.Name, site.Address, site.Version = s.siteName, s.siteAddress, version
	site.ApprovalMonths, site.RatificationWorkingDays, site.OutgoingExaminationDays = s.approvalMonths, s.ratificationDays, s.outgoingDays
	zone, err := time.LoadLocation(s.zone)
	if err != nil {
		return site, fmt.Errorf("there is no time zone %q", s.zone)
	}
	site.Zone = zone
	for _, text := range words(s.holidays) {
		day, err := time.ParseInLocation(time.DateOnly, text, zone)
		if err != nil {
			return site, fmt.Errorf("holiday %q is not a day such as 2026-12-25", text)
		}
		site.Holidays = append(site.Holidays, day)
	}
	if s.loanTerms != "" {
		b, err := os.ReadFile(s.loanTerms) // #nosec G304 G703 -- the person at the machine names the file
		switch {
		case err != nil:
			return site, fmt.Errorf("read the terms of loans: %w", err)
		case len(b) > 60000 || !domain.CleanText(string(b)):
			return site, fmt.Errorf("%s: terms of loans are text of at most 60000 bytes in UTF-8", s.loanTerms)
		}
		site.LoanTerms = string(b)
	}
	return site, nil
}

func (s *settings) networks() ([]*net.IPNet, error) {
	var all []*net.IPNet
	for _, text := range words(s.proxies) {
		_, n, err := net.ParseCIDR(text)
		if err != nil {
			return nil, fmt.Errorf("trusted proxy %q is not a network such as 10.0.0.0/8", text)
		}
		all = append(all, n)
	}
	return all, nil
}

// words splits a list at commas.
func words(text string) []string {
	var all []string
	for w := range strings.SplitSeq(text, ",") {
		if w = strings.TrimSpace(w); w != "" {
			all = append(all, w)
		}
	}
	return all
}

// database are the settings of the database.
func (s *settings) database(log *slog.Logger) postgres.Settings {
	return postgres.Settings{
		DatabaseURL: s.databaseURL, ReadDatabaseURL: s.readURL, OwnerDatabaseURL: s.ownerURL, DataDir: s.data, BinDir: s.pgBin,
		NoMigrate: s.noMigrate, MaxConns: int32(min(max(s.maxConns, 2), 1000)), Log: log, // #nosec G115 -- bounded here
	}
}
