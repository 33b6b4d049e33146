// Package audit is the ledger's format: envelope, canonical bytes, the hash
// chain, signatures, raw git objects, the register, checkpoints, and the proof
// that a ledger is whole. It uses the standard library only and knows no rule
// and no protocol: a record's body is text to it. FORMAT.md beside this file
// is the norm; where the two differ, one of them has a defect.
package audit
