"""The plan: referrals, recall and the calendar they follow."""
