package people

import (
	"flag"
	"os"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the list of common passwords anew")

const commonHead = `# Passwords that many people choose, long enough for the rule of length here. Made from patterns, not
# taken from stolen accounts: words, names and walks over the keyboard that stand in every published
# list of common passwords (from memory), alone, twice, in pairs, and with the digits, years and signs
# that people add. It says nothing about how often each is chosen. common_test.go writes it.
`

// patterns makes the list. source of the roots and endings: common practice, from memory.
func patterns() []string {
	roots := strings.Fields(`password passw0rd passwort motdepasse contrasena welcome willkommen bienvenue letmein login admin administrator
		root master access secret changeme default guest user test testing hello freedom whatever trustno1 iloveyou iloveu loveyou lovely
		forever princess sunshine monkey dragon shadow superman batman spiderman starwars pokemon football baseball basketball soccer hockey
		liverpool arsenal chelsea barcelona realmadrid juventus manchester michael jordan jennifer jessica ashley daniel andrew charlie
		thomas george robert william matthew joshua nicole michelle amanda anthony alexander hunter killer ninja mustang ferrari porsche
		mercedes harley yamaha computer internet samsung google facebook microsoft windows apple android iphone summer winter spring autumn
		january february october november december monday friday sunday flower butterfly chocolate cookie orange banana cheese pepper
		ginger buster tigger maggie snoopy bailey silver golden diamond purple rainbow heaven angel angels jesus blessed chicken eagle
		eagles tigers cowboys yankees lakers rangers phoenix thunder matrix merlin gandalf mickey family friends mother daddy babygirl
		music guitar metallica nirvana slipknot blink182 london paris berlin america canada germany england poland qwerty qwertz azerty
		qwertyuiop qwertyui qwerty123 asdfgh asdfghjkl zxcvbn zxcvbnm qazwsx qazwsxedc 1q2w3e 1q2w3e4r 1q2w3e4r5t 1qaz2wsx 1qaz2wsx3edc zaq12wsx
		abc123 a1b2c3d4 aa123456 abcd1234 abcdef abcdefgh abcdefghij 123abc 123qwe qwe123 q1w2e3r4 q1w2e3r4t5y6 123456 1234567 12345678 123456789
		1234567890 0987654321 987654321 654321 112233 121212 123123 123321 111111 000000 666666 555555 777777 888888 159753 147258369 789456123`)
	endings := strings.Fields(`1 12 123 1234 12345 123456 1234567 12345678 123456789 1234567890 123123 123321 321 4321 54321 654321 1111 11111 111111
		0000 00000 000000 112233 2580 1212 2222 7777 007 99 69 !  !! !!! 1! 12! 123! 1234! 12345! 123456! @123 @1234 @12345 #123 #1234 qwerty qwe123 abc123 abc xyz asdf
		forever please love you me`)
	for year := 1950; year <= 2026; year++ {
		y := strings.TrimSpace(strings.Join([]string{string(rune('0' + year/1000)), string(rune('0' + year/100%10)), string(rune('0' + year/10%10)), string(rune('0' + year%10))}, ""))
		endings = append(endings, y)
		if year >= 2015 {
			endings = append(endings, y+"!", "@"+y)
		}
	}
	var all []string
	add := func(p string) {
		if len(p) >= PasswordLeast && len(p) <= 20 {
			all = append(all, p)
		}
	}
	for _, r := range roots {
		add(r)
		add(r + r)
		add(r + r + r)
		add(r + " " + r)
		for _, e := range endings {
			add(r + e)
		}
		for _, other := range []string{"password", "iloveyou", "welcome", "qwerty", "123456", "1234567890", "admin", "login", "my"} {
			add(other + r)
			add(r + other)
		}
	}
	const rows = "abcdefghijklmnopqrstuvwxyz 01234567890123456789 12345678901234567890 98765432109876543210 qwertyuiopasdfghjklzxcvbnm qwertzuiopasdfghjklyxcvbnm azertyuiopqsdfghjklmwxcvbn"
	for row := range strings.FieldsSeq(rows) {
		for length := PasswordLeast; length <= min(20, len(row)); length++ {
			add(row[:length])
		}
	}
	for _, r := range "abcdefghijklmnopqrstuvwxyz0123456789.-*! " {
		for length := PasswordLeast; length <= 20; length++ {
			add(strings.Repeat(string(r), length))
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// TestCommonPasswordsFile: the list is what the patterns make, and as long as it must be.
//
// source: OWASP ASVS 5.0, 6.2.4: at least the 3000 most common that match the rule of length (from memory)
func TestCommonPasswordsFile(t *testing.T) {
	want := commonHead + strings.Join(patterns(), "\n") + "\n"
	if *update {
		if err := os.WriteFile("common.txt", []byte(want), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile("common.txt")
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Error("common.txt is not what the patterns make: go test ./domain/people -run TestCommonPasswordsFile -update")
	}
	if n := len(patterns()); n < 3000 {
		t.Errorf("only %d common passwords", n)
	}
}
