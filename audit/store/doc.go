// Package store keeps a ledger in a bare git repository that stock git can
// clone, read and fsck. It is the only importer of go-git, and go-git only
// reads here (packs and their indexes): every byte is written by this package
// through one file system, which flushes files before they get their names and
// folders after, and which tests can make fail at any operation.
//
// What it promises: Put and SetRef return only after their files and folders
// were flushed; a reference is at every moment the old or the new commit; what
// Object returns was hashed again and is what was asked for; nothing that is
// broken stays under its name after Recover.
//
// What it does not promise: it cannot know whether a drive really wrote what
// it was told to flush.
package store
