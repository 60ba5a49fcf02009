"""What a sack and the pile are worth by each way of selling them, at the prices of whoever asks.

Read in this order: costs, sales_routes, sale_proceeds, route_flows, net_revenue, breakeven_grade, cutoff, result,
valuation.
"""
