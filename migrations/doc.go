// Package migrations holds the database's schema as numbered SQL files and
// embeds them. Each file runs once, in a transaction, after those before it;
// package db runs them.
//
// A file that was released is never edited (a test pins its hash): a change is
// a new file. There are no steps back, since a step back could lose a fact.
// Every file from 0002 on begins with "set local role steadybath_owner", so
// that whatever it makes belongs to the owner.
//
// Start with 0001_facts.sql: the table, its checks, the chain and the roles.
package migrations
