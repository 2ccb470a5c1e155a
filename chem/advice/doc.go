// Package advice lays what was advised beside what was done and what the bath did:
// Review takes the plans that were shown, the facts that stand and the readings, and
// says of each plan whether it was carried out, what was weighed, and how the next
// readings compare with what it said they would be. It must not judge who was right,
// and knows neither clock nor database. Start at Review.
package advice
