package bench

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/binary"
	"strconv"
	"strings"
)

// entropy gives n bytes for a purpose: random ones, or on a simulated bench
// the start of a counter stream made from its seed and the purpose, so that
// the same script gives the same ledger. A purpose names what the bytes are
// for and never comes twice on one bench.
func (m *Main) entropy(n int, purpose ...string) []byte {
	if !m.Simulated() {
		out := make([]byte, n)
		rand.Read(out) // never fails: crypto/rand ends the process instead
		return out
	}
	return stream(m.Bench.Seed, n, purpose...)
}

// stream is SHA-256 over a label, the seed, the purpose and a counter.
func stream(seed string, n int, purpose ...string) []byte {
	base := "tapledger simulated/1\n" + seed + "\n" + strings.Join(purpose, "\n") + "\n"
	var out []byte
	for i := uint64(0); len(out) < n; i++ {
		var counter [8]byte
		binary.BigEndian.PutUint64(counter[:], i)
		sum := sha256.Sum256(append([]byte(base), counter[:]...))
		out = append(out, sum[:]...)
	}
	return out[:n]
}

// letters gives n characters of a-z and 2-7.
func (m *Main) letters(n int, purpose ...string) string {
	s := base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(m.entropy((n*5+7)/8, purpose...))
	return strings.ToLower(s[:n])
}

// SimulatedKey is the nth key of somebody on a simulated bench. Whoever knows
// the seed has it: nothing on such a bench proves anything.
func SimulatedKey(seed, principal string, n int) ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(stream(seed, ed25519.SeedSize, "key", principal, strconv.Itoa(n)))
}
