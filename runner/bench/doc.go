// Package bench is an opened bench: its ledger, the documents on main, people
// and keys, the clock, and the attachments that lie outside the ledger. It is
// the only place that writes.
//
// Every writing call takes the ledger's lock, finishes what an earlier process
// left half done, does its work, and moves a simulated bench's clock on.
package bench
