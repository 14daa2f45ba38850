package servetest

import (
	"crypto/hmac"
	"crypto/sha1" // #nosec G505 -- what RFC 6238 names
	"encoding/base32"
	"encoding/binary"
	"fmt"
	"time"

	"farthingale/domain"
	"farthingale/domain/people"
)

// WithFactor gives somebody a second factor, which is on.
func (h *House) WithFactor(who Someone) Someone {
	h.t.Helper()
	n, err := h.People.BeginFactor(h.t.Context(), who.Actor, people.BeginFactor{Password: Password})
	if err != nil {
		h.t.Fatalf("second factor of %s: %v", who.Name, err)
	}
	who.Secret = n.Secret
	codes, err := h.People.ConfirmFactor(h.t.Context(), who.Actor, people.Code{Code: h.Code(who)})
	if err != nil {
		h.t.Fatalf("second factor of %s: %v", who.Name, err)
	}
	who.RecoveryCodes = codes.RecoveryCodes
	return who
}

// Code is a code of somebody's second factor that was not used yet; where the present one was, it lets
// time pass. It is computed here anew after RFC 6238, apart from the program.
func (h *House) Code(who Someone) domain.Secret {
	h.t.Helper()
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.used == nil {
		h.used = map[string]int64{}
	}
	step := h.Now().Unix() / 30
	if step <= h.used[who.Secret] {
		h.Wait(time.Duration(h.used[who.Secret]+1-step) * 30 * time.Second)
		step = h.Now().Unix() / 30
	}
	h.used[who.Secret] = step
	return domain.Secret(h.CodeAt(who, step))
}

// CodeAt is the code of a time step.
func (h *House) CodeAt(who Someone, step int64) string {
	h.t.Helper()
	seed, err := base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(who.Secret)
	if err != nil {
		h.t.Fatal(err)
	}
	mac := hmac.New(sha1.New, seed)
	if err := binary.Write(mac, binary.BigEndian, step); err != nil {
		h.t.Fatal(err)
	}
	sum := mac.Sum(nil)
	offset := sum[19] & 15
	return fmt.Sprintf("%06d", (binary.BigEndian.Uint32(sum[offset:offset+4])&0x7FFFFFFF)%1000000)
}
