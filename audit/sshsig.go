package audit

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"strings"
)

// Namespaces of signatures: one for git's commits, one for checkpoints, so
// that neither can be shown as the other.
const (
	NamespaceGit        = "git"
	NamespaceCheckpoint = "checkpoint@tapledger"
)

const (
	sigBegin = "-----BEGIN SSH SIGNATURE-----\n"
	sigEnd   = "-----END SSH SIGNATURE-----\n"
	keyType  = "ssh-ed25519"
)

// Signer signs for one principal. Sign gives an armored SSHSIG over msg in a
// namespace.
type Signer interface {
	Principal() string
	Public() ed25519.PublicKey
	Sign(namespace string, msg []byte) (armored []byte, err error)
}

type keySigner struct {
	principal string
	key       ed25519.PrivateKey
}

// NewKeySigner signs with a key held in memory.
func NewKeySigner(principal string, key ed25519.PrivateKey) Signer {
	return keySigner{principal, key}
}

func (k keySigner) Principal() string         { return k.principal }
func (k keySigner) Public() ed25519.PublicKey { return k.key.Public().(ed25519.PublicKey) }

func (k keySigner) Sign(namespace string, msg []byte) ([]byte, error) {
	if namespace == "" {
		return nil, fmt.Errorf("a signature needs a namespace")
	}
	sig := ed25519.Sign(k.key, signedBytes(namespace, msg))
	var b bytes.Buffer
	b.Write(sigHead(k.Public(), namespace))
	sshText(&b, sigBlob(sig))
	return armor(b.Bytes()), nil
}

// sshText writes a string of the SSH wire format (RFC 4251 section 5).
func sshText(b *bytes.Buffer, s []byte) {
	var n [4]byte
	binary.BigEndian.PutUint32(n[:], uint32(len(s)))
	b.Write(n[:])
	b.Write(s)
}

// keyBlob is the public key as SSH writes it (RFC 8709 section 4).
func keyBlob(pub ed25519.PublicKey) []byte {
	var b bytes.Buffer
	sshText(&b, []byte(keyType))
	sshText(&b, pub)
	return b.Bytes()
}

func sigBlob(sig []byte) []byte {
	var b bytes.Buffer
	sshText(&b, []byte(keyType))
	sshText(&b, sig)
	return b.Bytes()
}

// sigHead is an SSHSIG up to its signature: magic, version 1, key, namespace,
// reserved, hash (OpenSSH's PROTOCOL.sshsig).
func sigHead(pub ed25519.PublicKey, namespace string) []byte {
	var b bytes.Buffer
	b.WriteString("SSHSIG\x00\x00\x00\x01")
	sshText(&b, keyBlob(pub))
	sshText(&b, []byte(namespace))
	sshText(&b, nil)
	sshText(&b, []byte("sha512"))
	return b.Bytes()
}

// signedBytes is what the key signs.
func signedBytes(namespace string, msg []byte) []byte {
	h := sha512.Sum512(msg)
	var b bytes.Buffer
	b.WriteString("SSHSIG")
	sshText(&b, []byte(namespace))
	sshText(&b, nil)
	sshText(&b, []byte("sha512"))
	sshText(&b, h[:])
	return b.Bytes()
}

func armor(raw []byte) []byte {
	e := base64.StdEncoding.EncodeToString(raw)
	var b bytes.Buffer
	b.WriteString(sigBegin)
	for len(e) > 70 {
		b.WriteString(e[:70] + "\n")
		e = e[70:]
	}
	b.WriteString(e + "\n" + sigEnd)
	return b.Bytes()
}

// VerifySignature checks an armored SSHSIG over msg and gives the key that
// made it: ed25519, sha512, this namespace, nothing before or after. Who the
// key belongs to is for the caller to say.
func VerifySignature(namespace string, msg, armored []byte) (ed25519.PublicKey, error) {
	text, ok := strings.CutPrefix(string(armored), sigBegin)
	if !ok || !strings.HasSuffix(text, sigEnd) {
		return nil, fmt.Errorf("signature is not an armored SSH signature")
	}
	text = strings.ReplaceAll(strings.TrimSuffix(text, sigEnd), "\n", "")
	raw, err := base64.StdEncoding.Strict().DecodeString(text)
	if err != nil {
		return nil, fmt.Errorf("signature is not base64: %w", err)
	}
	if !bytes.Equal(armor(raw), armored) {
		return nil, fmt.Errorf("signature is wrapped in another way than ssh-keygen writes")
	}
	// The key stands at a fixed place, so the head can be rebuilt and compared
	// instead of parsed.
	at := len("SSHSIG") + 4 + 4 + 4 + len(keyType) + 4
	if len(raw) < at+ed25519.PublicKeySize {
		return nil, fmt.Errorf("signature is cut off")
	}
	pub := ed25519.PublicKey(bytes.Clone(raw[at : at+ed25519.PublicKeySize]))
	rest, ok := bytes.CutPrefix(raw, sigHead(pub, namespace))
	if !ok {
		return nil, fmt.Errorf("signature is not ed25519 with sha512 in the namespace %s", namespace)
	}
	want := 4 + 4 + len(keyType) + 4 + ed25519.SignatureSize
	if len(rest) != want {
		return nil, fmt.Errorf("signature has the wrong length")
	}
	sig := rest[want-ed25519.SignatureSize:]
	var b bytes.Buffer
	sshText(&b, sigBlob(sig))
	if !bytes.Equal(b.Bytes(), rest) || !ed25519.Verify(pub, signedBytes(namespace, msg), sig) {
		return nil, fmt.Errorf("signature does not fit the signed bytes")
	}
	return pub, nil
}

// PublicKeyLine gives "ssh-ed25519 AAAA...".
func PublicKeyLine(pub ed25519.PublicKey) string {
	return keyType + " " + base64.StdEncoding.EncodeToString(keyBlob(pub))
}

// ParsePublicKeyLine reads what PublicKeyLine writes; a comment may follow.
func ParsePublicKeyLine(line string) (ed25519.PublicKey, error) {
	f := strings.Fields(line)
	if len(f) < 2 || f[0] != keyType {
		return nil, fmt.Errorf("%q is not a line such as \"ssh-ed25519 AAAA...\"; only ed25519 keys are used", clip(line))
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(f[1])
	if err != nil || len(raw) < ed25519.PublicKeySize {
		return nil, fmt.Errorf("key in %q is not base64 of an ed25519 key", clip(line))
	}
	pub := ed25519.PublicKey(raw[len(raw)-ed25519.PublicKeySize:])
	if !bytes.Equal(keyBlob(pub), raw) {
		return nil, fmt.Errorf("key in %q is not an ed25519 key", clip(line))
	}
	return bytes.Clone(pub), nil
}

// Fingerprint gives "SHA256:" and 43 characters, as ssh-keygen -l prints it.
func Fingerprint(pub ed25519.PublicKey) string {
	s := sha256.Sum256(keyBlob(pub))
	return "SHA256:" + base64.RawStdEncoding.EncodeToString(s[:])
}
